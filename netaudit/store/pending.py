"""
What waits for its commit, as readers may see it before: everything that only goes on with what the tables hold.

A commit costs a card some 50 kB however little is in it, so what merely repeats is kept less often than what is new. Pure.
Moments without a time zone are taken out before; the flush refuses them.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING

from netaudit.observe.observation import Health, Naming, Notice, Sample, Sighting
from netaudit.store.memory import words_of
from netaudit.store.moment import moment, seconds
from netaudit.store.records import Reading
from netaudit.store.unit import measured, quantum_of, stored

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from netaudit.observe.observation import Observation
    from netaudit.store.memory import Memory, Seen, State
    from netaudit.store.stay import Stay, Tolerance


def is_news(one: Observation, memory: Memory, tolerance: Tolerance) -> bool:
    """Say whether losing this would lose a fact: a device, an address, a name, a word, a change; not a number or a time."""
    match one:
        case Sample():
            return False
        case Sighting():
            stay = memory.stays.get(one.mac, one.segment)
            if stay is None or seconds(one.at) - stay.until > tolerance(one.mac):
                return True
            address = (memory.devices.get(one.mac, 0), one.segment, one.address)
            return one.address is not None and address not in memory.addresses
        case Naming():
            return (memory.devices.get(one.mac, 0), one.name, str(one.origin)) not in memory.names
        case Notice():
            return (one.kind, one.place, words_of(one.detail)) not in memory.notices
        case Health():
            known = memory.health.get(one.source)
            return known is None or known.good != one.good


def stays(waiting: Iterable[Observation], memory: Memory, tolerance: Tolerance) -> tuple[Stay, ...]:
    """Give the intervals that may still grow, as far as they have grown."""
    grown = memory.stays.copy()
    for one in sorted((one for one in waiting if isinstance(one, Sighting)), key=lambda one: one.at):
        stay, at = grown.get(one.mac, one.segment), seconds(one.at)
        # A longer gap ends an interval and begins one: that is for the flush to write.
        if stay is not None and stay.until < at <= stay.until + tolerance(one.mac):
            grown.put(replace(stay, until=at))
    return grown.all()


def health(waiting: Iterable[Observation], memory: Memory) -> dict[str, State]:
    """Give how each source does, by the latest attempt that told the same of it as the one before."""
    found = dict(memory.health)
    for one in waiting:
        if isinstance(one, Health):
            known, at = found.get(one.source), seconds(one.at)
            if known is not None and known.good == one.good and at > known.until:
                found[one.source] = replace(known, until=at, reason=one.reason)
    return found


def notices(waiting: Iterable[Observation], memory: Memory) -> dict[tuple[str, str, str], Seen]:
    """Give each notice that was said again, by (kind, place, detail)."""
    found = dict(memory.notices)
    for one in waiting:
        if isinstance(one, Notice):
            key, at = (one.kind, one.place, words_of(one.detail)), seconds(one.at)
            known = found.get(key)
            if known is not None:
                found[key] = replace(known, last_at=max(at, known.last_at), times=known.times + 1)
    return found


def readings(
    waiting: Iterable[Observation], since: datetime, until: datetime
) -> dict[tuple[str, str], dict[datetime, Reading]]:
    """Give the samples in [since, until), at the second and in the step in which they will be kept, by (place, kind)."""
    found: dict[tuple[str, str], dict[datetime, Reading]] = {}
    for one in waiting:
        if not isinstance(one, Sample) or not since <= (at := moment(seconds(one.at))) < until:
            continue
        if one.value is None or isfinite(one.value):
            quantum = quantum_of(one.kind)
            reading = Reading(at, measured(stored(one.value, quantum), quantum))
            found.setdefault((one.place, one.kind), {})[at] = reading
    return found
