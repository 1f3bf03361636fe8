"""
What a check is: a key, the question it answers, where its limit is from, and a judge of the evidence.

A check yields an item for each place that it is about. A plan that has no such place has no such check. Trouble belongs to one
check only: what another explains (a device that is missing, a place that two claim) is `not tested` here, never failed twice.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.roster import enrol
from netaudit.capacity.patching import patch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.audit.roster import Roster, Thing
    from netaudit.capacity.patching import Patching
    from netaudit.observe.observation import Notice, Sample
    from netaudit.site.model import Site


class Outcome(StrEnum):
    """What came of an item or a check."""

    PASSED = "passed"
    FAILED = "failed"
    WAIVED = "waived"
    NOT_TESTED = "not tested"


# Of several items of a check the first of these speaks for it.
ORDER: Final = (Outcome.FAILED, Outcome.NOT_TESTED, Outcome.WAIVED, Outcome.PASSED)


@dataclass(frozen=True, slots=True)
class Item:
    """
    What came of a check at one place.

    evidence  what was seen, with its numbers
    cure      what to do, for the punch list; empty when nothing is to be done
    waived_by name and reason of a waiver
    """

    place: str
    outcome: Outcome
    evidence: str
    cure: str = ""
    waived_by: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """One check of the table; `standard` says where its limit is from."""

    key: str
    question: str
    standard: str
    judge: Callable[[Trial], Iterable[Item]]


def passed(place: str, evidence: str) -> Item:
    """Give an item that passed."""
    return Item(place, Outcome.PASSED, evidence)


def failed(place: str, evidence: str, cure: str) -> Item:
    """Give an item that failed, and what to do."""
    return Item(place, Outcome.FAILED, evidence, cure)


def untested(place: str, evidence: str, cure: str = "") -> Item:
    """Give an item that was not tested, why, and what it would take."""
    return Item(place, Outcome.NOT_TESTED, evidence, cure)


@dataclass(frozen=True, slots=True)
class Trial:
    """
    The plan beside the evidence, as every check needs it.

    looked     segments that were swept at least once
    addresses  per MAC and segment, its IPv4 addresses there, the latest first
    things     what the plan calls a MAC
    found      per ref of the plan, the MACs that are it
    missing    refs of watched things that nobody saw on a segment that was looked at
    rivals     address -> the MACs that claimed it at once
    displaced  refs of things that were seen, but not on their own segment
    left       ref -> for how long at the end nobody saw the thing, where that is longer than it may be silent [s]
    """

    site: Site
    evidence: Evidence
    roster: Roster
    patching: Patching
    looked: frozenset[str]
    addresses: Mapping[tuple[str, str], tuple[str, ...]]
    things: Mapping[str, Thing]
    found: Mapping[str, tuple[str, ...]]
    missing: frozenset[str]
    rivals: Mapping[str, frozenset[str]]
    displaced: frozenset[str]
    left: Mapping[str, float]
    series: Mapping[tuple[str, str], tuple[Sample, ...]] = field(default_factory=dict)

    def told(self, kind: str) -> tuple[Notice, ...]:
        """Give the notices of a kind."""
        return tuple(one for one in self.evidence.notices if one.kind == kind)

    def values(self, place: str, kind: str) -> tuple[float | None, ...]:
        """Give the values of a series in the order of time; None was asked and not answered."""
        return tuple(one.value for one in self.series.get((place, kind), ()))

    def answered(self, place: str, kind: str) -> tuple[float, ...]:
        """Give the values of a series that were answered."""
        return tuple(value for value in self.values(place, kind) if value is not None)

    def macs_on(self, segment: str) -> tuple[str, ...]:
        """Give the MACs that were seen on a segment."""
        return tuple(sorted(mac for mac, where in self.addresses if where == segment))


def prepare(site: Site, evidence: Evidence) -> Trial:
    """Put evidence beside a checked plan. Linear in both."""
    roster = enrol(site)
    held: defaultdict[tuple[str, str], dict[str, None]] = defaultdict(dict)
    for sighting in sorted(evidence.sightings, key=lambda one: one.at, reverse=True):
        if sighting.segment in site.segment:
            known = held[sighting.mac, sighting.segment]
            if sighting.address is not None and ":" not in sighting.address:
                known.setdefault(sighting.address)
    addresses = {key: tuple(known) for key, known in held.items()}
    things: dict[str, Thing] = {}
    found: defaultdict[str, list[str]] = defaultdict(list)
    for (mac, _), owned in sorted(addresses.items()):
        thing = roster.recognise(mac, owned)
        if thing is not None:
            things[mac] = thing
            if mac not in found[thing.ref]:
                found[thing.ref].append(mac)
    last: dict[str, datetime] = {}
    for sighting in evidence.sightings:
        seen = things.get(sighting.mac)
        if seen is not None:
            last[seen.ref] = max(sighting.at, last.get(seen.ref, sighting.at))
    silent_s = {ref: (evidence.until - at).total_seconds() for ref, at in last.items()}
    looked = frozenset(
        one.source.removeprefix("sweep:") for one in evidence.health if one.good and one.source.startswith("sweep:")
    )
    rivals: defaultdict[str, set[str]] = defaultdict(set)
    series: defaultdict[tuple[str, str], list[Sample]] = defaultdict(list)
    for notice in evidence.notices:
        if notice.kind == vocabulary.ADDRESS_CONFLICT:
            detail = dict(notice.detail)
            rivals[detail.get("address", "?")].update(detail.get("macs", "").split())
    for sample in evidence.samples:
        series[sample.place, sample.kind].append(sample)
    return Trial(
        site=site,
        evidence=evidence,
        roster=roster,
        patching=patch(site),
        looked=looked & site.segment.keys(),
        addresses=addresses,
        things=things,
        found={ref: tuple(macs) for ref, macs in found.items()},
        missing=frozenset(
            thing.ref for thing in roster.things if thing.watched and thing.ref not in found and thing.segment in looked
        ),
        rivals={address: frozenset(macs) for address, macs in rivals.items()},
        displaced=frozenset(
            thing.ref
            for mac, thing in things.items()
            if thing.mac is not None and (mac, thing.segment) not in addresses and _astray(thing, mac, addresses)
        ),
        left={
            ref: for_s
            for ref, for_s in silent_s.items()
            if roster.by_ref[ref].watched and for_s > roster.by_ref[ref].silent_after_s
        },
        series={key: tuple(samples) for key, samples in series.items()},
    )


def _astray(thing: Thing, mac: str, addresses: Mapping[tuple[str, str], tuple[str, ...]]) -> bool:
    return any(thing.strays(where, addressed=bool(owned)) for (one, where), owned in addresses.items() if one == mac)
