"""What the store kept, as evidence: so that a baseline, a cutover or an acceptance test can rest on a watch that went on anyway."""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.seen import REPEATS_KEPT
from netaudit.observe.observation import Health, How, Naming, Notice, Sample, Sighting

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.observe.observation import Observation
    from netaudit.store.records import Address, Device
    from netaudit.store.store import Store

_HOWS = frozenset(how.value for how in How)


def _how(word: str) -> How:
    """Read the way in which something was noticed; what an older program wrote under another word was heard somehow."""
    return How(word) if word in _HOWS else How.HEARD


def _in_use(device: Device, since: datetime) -> Iterator[Address]:
    """Give the addresses used from `since` on; of IPv4 or IPv6 on a segment where none is known to be, the one that may still be in use."""
    alike: defaultdict[tuple[str, bool], list[Address]] = defaultdict(list)
    for one in sorted(device.addresses, key=lambda one: one.last_at, reverse=True):
        alike[one.segment, ":" in one.address].append(one)
    for owned in alike.values():
        fresh = [one for one in owned if one.last_at >= since]
        yield from fresh or [one for one in owned[:1] if one.last_at >= since - REPEATS_KEPT]


def late_by(store: Store) -> timedelta:
    """
    Say by how much too early this store may know the last time of a notice that is told again.

    Not at all where it writes the site itself; who reads beside a watch, or what was shipped, knows what the tables have.
    """
    return timedelta(0) if store.knows_repeats() else REPEATS_KEPT


def evidence_from(store: Store, since: datetime, until: datetime, *, numbers: bool = True) -> Evidence:
    """
    Read from the store what was seen in [since, until): an hour or so of samples, or a day of a small site.

    Of what goes on unchanged (an address in use, a clash, who leases) the store may know the last time too early. So what was
    last known so shortly before `since` (`late_by`) is evidence too: a clash that goes on is never passed over, and one that
    ended so lately still counts. Such a notice keeps the time at which it is known, which is before `since`.

    Args:      numbers: the samples too; who only asks who is there is spared nearly all of the reading without them.
    Raises:    StoreError: the store can't be read.
    """
    seen: list[Observation] = []
    here: set[str] = set()
    for stay in store.presence(since, until):
        here.add(stay.mac)
        seen.append(Sighting(min(stay.until, until), stay.segment, stay.mac, None, How.HEARD))
    for device in store.devices(until):
        if device.mac not in here:
            continue
        seen += [
            Sighting(min(max(one.last_at, since), until), one.segment, device.mac, one.address, _how(one.how))
            for one in _in_use(device, since)
        ]
        seen += [Naming(min(name.last_at, until), device.mac, name.name, _how(name.origin)) for name in device.names]
    for (place, kind), readings in (store.series_all(since, until) if numbers else {}).items():
        seen += [Sample(one.at, place, kind, one.value) for one in readings]
    seen += [
        Notice(min(heard.last_at, until), heard.place, heard.kind, heard.detail)
        for heard in store.notices(since - late_by(store), until)
    ]
    for condition in store.health():
        if condition.until >= since:
            seen.append(Health(min(condition.until, until), condition.source, condition.good, condition.reason))
    return freeze(seen, since, until)
