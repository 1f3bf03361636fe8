"""
Who is who on both sides of a move: by MAC; where a device makes its MAC up anew for each network, by the identifier or the
name that it asks with.

A client identifier joins two devices when one of them made its MAC up, and one on each side bears it. A name alone joins two devices only when both made their MACs up, one on each side bears it, and nobody else ever did. All else
with a common name is unsure, and a person decides.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from netaudit.audit.moving.known import is_made_up
from netaudit.observe.observation import How

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from collections.abc import Set as AbstractSet

    from netaudit.audit.moving.known import Known


class By(StrEnum):
    """By what two sightings are one device."""

    MAC = "MAC"
    CLIENT_ID = "client identifier"
    NAME = "name"


@dataclass(frozen=True, slots=True)
class Pair:
    """One device before and now."""

    before: Known
    now: Known
    by: By


@dataclass(frozen=True, slots=True)
class Matching:
    """
    All of both sides, each exactly once on its side.

    unsure   of before, with who might be it now
    missing  of before, with nobody who might be it
    new      of now, whom nobody before was
    """

    pairs: tuple[Pair, ...]
    unsure: tuple[tuple[Known, tuple[Known, ...]], ...]
    missing: tuple[Known, ...]
    new: tuple[Known, ...]


def asked_as(device: Known) -> frozenset[str]:
    """
    Give the names with which a device asked for its address, without domain, in lower case.

    Names by mDNS are left out: many devices of one make announce the same.
    """
    return frozenset(
        name.lower().partition(".")[0] for name, origin in device.names if origin == How.DHCP.value and name.strip(". ")
    )


def match(before: Sequence[Known], now: Sequence[Known]) -> Matching:
    """Match two sides; the order of either changes nothing but the order of the result."""
    there = {device.mac: device for device in now}
    pairs = [Pair(device, there[device.mac], By.MAC) for device in before if device.mac in there]
    taken = {pair.now.mac for pair in pairs}
    left = [device for device in before if device.mac not in there]
    identifiers = _Bearers(before, now, lambda device: device.client_ids)
    names = _Bearers(before, now, asked_as)
    by_identifier = [
        Pair(device, one, By.CLIENT_ID)
        for device in left
        if (one := identifiers.sole(device, taken)) and (is_made_up(device.mac) or is_made_up(one.mac))
    ]
    pairs += by_identifier
    taken |= {pair.now.mac for pair in by_identifier}
    joined = {pair.before.mac for pair in by_identifier}
    known = frozenset(taken)
    unsure: list[tuple[Known, tuple[Known, ...]]] = []
    missing: list[Known] = []
    for device in left:
        if device.mac in joined:
            continue
        one = names.sole(device, known)
        if one and is_made_up(device.mac) and is_made_up(one.mac) and not _contradict(device, one):
            pairs.append(Pair(device, one, By.NAME))
            taken.add(one.mac)
        elif candidates := sorted(names.candidates(device, known) | identifiers.candidates(device, known)):
            unsure.append((device, tuple(there[mac] for mac in candidates)))
        else:
            missing.append(device)
    return Matching(
        pairs=tuple(pairs),
        unsure=tuple(unsure),
        missing=tuple(missing),
        new=tuple(device for device in now if device.mac not in taken),
    )


def _contradict(before: Known, now: Known) -> bool:
    """Say whether both asked with identifiers, and with none in common."""
    return bool(before.client_ids and now.client_ids) and before.client_ids.isdisjoint(now.client_ids)


class _Bearers:
    """Who bears which mark (a name, an identifier) on each side."""

    def __init__(self, before: Sequence[Known], now: Sequence[Known], marks: Callable[[Known], frozenset[str]]) -> None:
        self._marks = marks
        self._before = self._who(before)
        self._now = self._who(now)
        self._there = {device.mac: device for device in now}

    def _who(self, devices: Sequence[Known]) -> defaultdict[str, set[str]]:
        found: defaultdict[str, set[str]] = defaultdict(set)
        for device in devices:
            for mark in self._marks(device):
                found[mark].add(device.mac)
        return found

    def candidates(self, device: Known, taken: AbstractSet[str]) -> set[str]:
        """Give the MACs now that share a mark with a device of before and are nobody else yet."""
        return {mac for mark in self._marks(device) for mac in self._now[mark] if mac not in taken}

    def sole(self, device: Known, taken: AbstractSet[str]) -> Known | None:
        """Give the one that shares a mark with it, if nobody else on either side bears a mark of either."""
        candidates = self.candidates(device, taken)
        if len(candidates) != 1:
            return None
        one = self._there[candidates.pop()]
        marks = self._marks(device) | self._marks(one)
        alone = all(self._before[mark] <= {device.mac} and self._now[mark] <= {one.mac} for mark in marks)
        return one if alone else None
