"""The hours on which `calibration.py` works: who was there in each, what that should cost, and what the radio announced."""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit import vocabulary
from netaudit.audit.calibration import Hour
from netaudit.audit.roster import enrol
from netaudit.capacity import radio
from netaudit.capacity.line import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from netaudit.site.model import Site
    from netaudit.store.store import Store

HOUR = timedelta(hours=1)


def shares_of(site: Site) -> dict[str, tuple[float, dict[str, float]]]:
    """
    Say of each radio what it costs without any device, and what each profile adds, with everybody there as planned.

    A profile's share is what goes when its devices go; so what collisions cost is counted with those who cause it.
    """
    everybody = _busy(site)
    nobody = _busy(site.model_copy(update={"device": {}}))
    wireless = sorted({row.kind for row in site.device.values() if site.profile[row.kind].link == "wifi"})
    without = {
        kind: _busy(site.model_copy(update={"device": {n: row for n, row in site.device.items() if row.kind != kind}}))
        for kind in wireless
    }
    return {
        place: (
            nobody[place],
            {kind: share for kind in wireless if (share := everybody[place] - without[kind][place]) > 0.0},
        )
        for place in everybody
    }


def hours_of(store: Store, site: Site, since: datetime, until: datetime) -> dict[str, list[Hour]]:
    """
    Put together the hours in [since, until) of each radio that announces its busy share.

    Those without a name are shared among the unnamed groups of their segment, as the plan has them.

    Raises:    StoreError: the store can't be read.
    """
    shares = shares_of(site)
    there = _there(store, site, since, until)
    planned = Counter[str]()
    for row in site.device.values():
        planned[row.kind] += row.count
    found: dict[str, list[Hour]] = {}
    for place, (fixed, by_profile) in shares.items():
        for hour in store.hours(place, vocabulary.BUSY_SHARE, since, until):
            if hour.mean is None:
                continue
            present = there.get(hour.at, {})
            predicted = {kind: share * present.get(kind, 0.0) / planned[kind] for kind, share in by_profile.items()}
            found.setdefault(place, []).append(Hour(hour.at, hour.mean, fixed, predicted))
    return found


def _busy(site: Site) -> dict[str, float]:
    lines = radio.judge(site).lines
    return {line.place: line.planned for line in lines if line.kind is Kind.AIRTIME and line.place.startswith("radio:")}


def _there(store: Store, site: Site, since: datetime, until: datetime) -> dict[datetime, Mapping[str, float]]:
    """Count the devices of each kind in each hour."""
    roster = enrol(site)
    addresses = {device.mac: [one.address for one in device.addresses] for device in store.devices(until)}
    unnamed: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for name, row in site.device.items():
        places = 0 if row.address is not None else max(row.count - len(row.mac), 0)
        unnamed[roster.topology.segment_of[name]][row.kind] += places
    there: defaultdict[datetime, Counter[str]] = defaultdict(Counter)
    seen: set[tuple[datetime, str]] = set()
    for stay in store.presence(since, until):
        thing = roster.recognise(stay.mac, addresses.get(stay.mac, ()))
        hour = max(stay.since, since).replace(minute=0, second=0, microsecond=0)
        while hour <= min(stay.until, until):
            # Two stays in an hour are one device.
            if (hour, stay.mac) not in seen:
                seen.add((hour, stay.mac))
                there[hour].update(_kinds(site, thing.group if thing else None, unnamed[stay.segment]))
            hour += HOUR
    return dict(there)


def _kinds(site: Site, group: str | None, unnamed: Counter[str]) -> dict[str, float]:
    if group is not None:
        row = site.device.get(group.removeprefix("device:"))
        return {row.kind: 1.0} if row is not None else {}
    total = unnamed.total()
    return {kind: number / total for kind, number in unnamed.items()} if total else {}
