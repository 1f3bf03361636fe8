"""What the network says at a moment, put in words of the plan. Reading is here; all that follows in this room is pure."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.presence import Presence
from netaudit.audit.roster import enrol
from netaudit.audit.series import Series
from netaudit.audit.stations import Count, count_stations
from netaudit.site.topology import ROUTER
from netaudit.store.key import DAY_S
from netaudit.store.retain import Keep

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.roster import Roster, Thing
    from netaudit.site.model import Band, Site
    from netaudit.store.outbox import Letter
    from netaudit.store.records import Condition, Device, Heard, Interval, Reading
    from netaudit.store.store import Store

# A percentile and a share of lost echoes need an hour of them; more would tell of troubles that are over.
LOOK_BACK = timedelta(hours=1)
# Rare words (a DHCP offer, a look at the firmware text) are remembered this long.
NOTICES_BACK = timedelta(days=1)
# Those without a name in the plan keep the places that they took until they have been away for this long; a telephone
# that makes itself a new MAC for each network keeps that for longer. common practice, no source
PLACES_BACK = timedelta(days=30)
# The store writes the last use of an address once an hour; so for that long an older address may be in use beside a new one.
ADDRESS_LASTS = timedelta(hours=1)
# So it does with a notice that is told again: the last time that the store knows may be so much too early.
REPEATS_KEPT = timedelta(minutes=65)
# Under what names the outbox keeps the letters of a channel: its own, and that of its digest.
LANES = ("{}", "{}/digest")
# A device we know nothing about has left when so many sweeps went by without it. common practice, no source
SILENT_SWEEPS = 3


@dataclass(frozen=True, slots=True)
class Looked:
    """From when to when a segment was looked at without a break; silence outside of that says nothing."""

    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class Seen:
    """
    What the network says at a moment.

    last_heard    per ref of a recognised thing, the latest sighting ever
    addresses     per segment, the IPv4 addresses in use within its lease time
    stations      per (access point, band)
    series        per (place, kind), the last hour; devices by their MAC, as collectors write them
    letters       per channel of the plan, the letters that are next in its lanes
    """

    at: datetime
    roster: Roster
    present: tuple[Presence, ...]
    last_heard: Mapping[str, datetime]
    looked: Mapping[str, Looked]
    addresses: Mapping[str, frozenset[str]]
    stations: Mapping[tuple[str, Band], Count]
    series: Mapping[tuple[str, str], Series] = field(default_factory=dict)
    notices: tuple[Heard, ...] = ()
    sources: tuple[Condition, ...] = ()
    letters: Mapping[str, tuple[Letter, ...]] = field(default_factory=dict)

    def on(self, segment: str) -> tuple[Presence, ...]:
        """Give who is here on a segment."""
        return tuple(one for one in self.present if one.segment == segment)

    def counted_on(self, segment: str) -> tuple[Presence, ...]:
        """Give who is here on a segment and is one of its devices, as the plan counts them: the router is on all and of none."""
        return tuple(one for one in self.on(segment) if one.thing is None or one.thing.group != ROUTER)

    def told(self, kind: str, within: timedelta = NOTICES_BACK) -> tuple[Heard, ...]:
        """Give the notices of a kind that were repeated within this time, latest first."""
        return tuple(one for one in self.notices if one.kind == kind and self.at - one.last_at <= within)


def see(store: Store, site: Site, now: datetime, *, earlier: bool = False) -> Seen:
    """
    Read from the store what the network says now.

    Args:      earlier: `now` is a moment of the past, such as a week's end, and who came later is not known then. That can't be
               told from the store: a clock that was put right leaves what came "later" too, and nobody is missing by that.
    Raises:    StoreError: the store can't be read.
    """
    return compose(
        site,
        now,
        devices=store.devices(now),
        stays=store.presence(now - PLACES_BACK, now) if earlier else store.last_stays(now - PLACES_BACK),
        readings=store.series_all(now - LOOK_BACK, now + timedelta(seconds=1)),
        notices=store.notices(now - NOTICES_BACK, now + timedelta(seconds=1)),
        sources=store.health(),
        letters={name: _next_letters(store, name) for name in site.alert},
    )


def _next_letters(store: Store, channel: str) -> tuple[Letter, ...]:
    return tuple(letter for lane in LANES for letter in store.queued_letters(lane.format(channel))[:1])


def compose(
    site: Site,
    now: datetime,
    *,
    devices: Iterable[Device] = (),
    stays: Iterable[Interval] = (),
    readings: Mapping[tuple[str, str], Iterable[Reading]] | None = None,
    notices: Iterable[Heard] = (),
    sources: Iterable[Condition] = (),
    letters: Mapping[str, tuple[Letter, ...]] | None = None,
) -> Seen:
    """
    Put what was kept in words of the plan. Pure.

    Args:      devices with their addresses; stays: intervals of presence, the last of each on each segment.
    """
    roster = enrol(site)
    latest: dict[tuple[str, str], Interval] = {}
    for stay in stays:
        before = latest.get((stay.mac, stay.segment))
        if stay.segment in site.segment and (before is None or stay.until > before.until):
            latest[stay.mac, stay.segment] = stay
    known = {device.mac: device for device in devices}
    addresses = {(mac, segment): _current(known.get(mac), segment) for mac, segment in latest}
    recognised = {key: roster.recognise(key[0], addresses[key]) for key in latest}
    placed = _placed(roster, latest, recognised, known)
    here = _here(site, roster, latest, recognised, placed=placed, now=now)
    present = tuple(
        Presence(
            mac=stay.mac,
            segment=stay.segment,
            addresses=addresses[key],
            since=stay.since,
            last_at=stay.until,
            thing=recognised[key],
            expected=recognised[key] is not None or key in placed,
        )
        for key, stay in sorted(latest.items())
        if key in here
    )
    last_heard: dict[str, datetime] = {}
    for key, stay in latest.items():
        thing = recognised[key]
        if thing is not None:
            last_heard[thing.ref] = max(stay.until, last_heard.get(thing.ref, stay.until))
    series = {key: Series(tuple(values)) for key, values in (readings or {}).items()}
    said = tuple(notices)
    conditions = tuple(sources)
    return Seen(
        at=now,
        roster=roster,
        present=present,
        last_heard=last_heard,
        looked=_looked(site, present, conditions),
        addresses=_in_use(site, known.values(), now),
        stations=count_stations(site, roster, present, series=series, notices=said, now=now),
        series=series,
        notices=said,
        sources=conditions,
        letters=letters or {},
    )


def _current(device: Device | None, segment: str) -> tuple[str, ...]:
    """Give the IPv4 addresses that a device has on a segment, the latest first; a server may have several at once."""
    owned = [one for one in device.addresses if one.segment == segment and ":" not in one.address] if device else []
    owned.sort(key=lambda one: one.last_at, reverse=True)
    return tuple(one.address for one in owned if owned[0].last_at - one.last_at <= ADDRESS_LASTS)


def silent_after_s(site: Site, thing: Thing | None) -> float:
    """Give the silence after which a thing, or a stranger (None), is taken to have left [s]."""
    return SILENT_SWEEPS * site.looking.sweep_every_s if thing is None else thing.silent_after_s


def _here(
    site: Site,
    roster: Roster,
    latest: Mapping[tuple[str, str], Interval],
    recognised: Mapping[tuple[str, str], Thing | None],
    *,
    placed: frozenset[tuple[str, str]],
    now: datetime,
) -> frozenset[tuple[str, str]]:
    """
    Say who is here: whoever was heard within the time that it may be silent.

    Which of those without a name are the battery sensors that sleep for hours isn't known; only how many there are. So the
    longest silences are allowed to as many of them as the plan has things that may be silent for so long.
    """
    silence_s = {key: (now - stay.until).total_seconds() for key, stay in latest.items()}
    allowed = {name: list(room.silences_s) for name, room in roster.rooms.items()}
    here: set[tuple[str, str]] = set()
    for key in sorted(latest, key=lambda key: (-silence_s[key], key)):
        thing = recognised[key]
        may_s = silent_after_s(site, thing)
        if thing is None and silence_s[key] > may_s and key in placed:
            left = allowed[key[1]]
            may_s = left.pop(0) if left and left[0] >= silence_s[key] else may_s
        if silence_s[key] <= may_s:
            here.add(key)
    return frozenset(here)


def tolerance_of(site: Site) -> Callable[[str], float]:
    """Give the gap in sightings that a device's presence survives, by MAC [s]: what the store needs to know of a plan."""
    roster = enrol(site)
    usual_s = silent_after_s(site, None)
    known = {mac: max(usual_s, thing.silent_after_s) for mac, thing in roster.by_mac.items()}
    return lambda mac: known.get(mac, usual_s)


def keep_of(site: Site) -> Keep:
    """Give how long the store keeps what."""
    kept = site.keeping
    return Keep(
        raw=int(kept.raw_s // DAY_S),
        hourly=int(kept.hourly_s // DAY_S),
        daily=None if kept.daily_s is None else int(kept.daily_s // DAY_S),
        presence=int(kept.presence_s // DAY_S),
        names=int(kept.names_s // DAY_S),
        addresses=int(kept.addresses_s // DAY_S),
        notices=int(kept.notices_s // DAY_S),
    )


def _placed(
    roster: Roster,
    latest: Mapping[tuple[str, str], Interval],
    recognised: Mapping[tuple[str, str], Thing | None],
    known: Mapping[str, Device],
) -> frozenset[tuple[str, str]]:
    """Give the places without a name to those who were heard first: who comes when all are taken is unknown."""
    strangers: defaultdict[str, list[tuple[datetime, str]]] = defaultdict(list)
    for (mac, segment), stay in latest.items():
        if recognised[mac, segment] is None:
            strangers[segment].append((known[mac].first_at if mac in known else stay.since, mac))
    taken: set[tuple[str, str]] = set()
    for segment, listed in strangers.items():
        room = roster.rooms[segment]
        places = len(listed) if room.open_house else room.wifi + room.wired
        taken.update((mac, segment) for _, mac in sorted(listed)[:places])
    return frozenset(taken)


def _looked(site: Site, present: tuple[Presence, ...], sources: tuple[Condition, ...]) -> dict[str, Looked]:
    """
    Say how long each segment has been looked at without a break.

    After a break longer than the store's tolerance the intervals of all who are present begin anew, so the oldest of them
    tells when looking began. Who may be silent for longer is no witness: its interval outlasts a break. Where the sweep fails nobody looks, even if
    some are heard in passing.
    """
    found: dict[str, Looked] = {}
    usual_s = silent_after_s(site, None)
    failing = {one.source for one in sources if not one.good}
    for name in site.segment:
        if f"sweep:{name}" in failing:
            continue
        here = [one for one in present if one.segment == name]
        witnesses = [one for one in here if silent_after_s(site, one.thing) <= usual_s]
        sweeps = [one for one in sources if one.good and one.source.endswith(f":{name}")]
        since = [one.since for one in witnesses or here or sweeps]
        until = [*(one.last_at for one in here), *(one.until for one in sweeps)]
        if since and until:
            found[name] = Looked(min(since), max(until))
    return found


def _in_use(site: Site, devices: Iterable[Device], now: datetime) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = {name: set() for name in site.segment}
    for device in devices:
        for one in device.addresses:
            segment = site.segment.get(one.segment)
            if segment is None or ":" in one.address:
                continue
            if (now - one.last_at).total_seconds() <= segment.lease_s:
                found[one.segment].add(one.address)
    return {name: frozenset(addresses) for name, addresses in found.items()}
