"""
Who is who on both sides of a move: by MAC; where a device makes its MAC up anew for each network, by the name it asks with.

A name alone joins two devices only when both made their MACs up, one on each side bears it, and nobody else ever did. All else
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
    from collections.abc import Sequence

    from netaudit.audit.moving.known import Known


class By(StrEnum):
    """By what two sightings are one device."""

    MAC = "MAC"
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
    known = frozenset(taken)
    bearers_before = _bearers(before)
    bearers_now = _bearers(now)
    unsure: list[tuple[Known, tuple[Known, ...]]] = []
    missing: list[Known] = []
    for device in before:
        if device.mac in there:
            continue
        names = asked_as(device)
        candidates = sorted({one.mac for name in names for one in bearers_now[name] if one.mac not in known})
        alone = len(candidates) == 1 and all(
            len(bearers_before[name]) <= 1 and len(bearers_now[name]) <= 1 for name in names
        )
        if alone and is_made_up(device.mac) and is_made_up(candidates[0]):
            pairs.append(Pair(device, there[candidates[0]], By.NAME))
            taken.add(candidates[0])
        elif candidates:
            unsure.append((device, tuple(there[mac] for mac in candidates)))
        else:
            missing.append(device)
    return Matching(
        pairs=tuple(pairs),
        unsure=tuple(unsure),
        missing=tuple(missing),
        new=tuple(device for device in now if device.mac not in taken),
    )


def _bearers(devices: Sequence[Known]) -> defaultdict[str, list[Known]]:
    found: defaultdict[str, list[Known]] = defaultdict(list)
    for device in devices:
        for name in asked_as(device):
            found[name].append(device)
    return found
