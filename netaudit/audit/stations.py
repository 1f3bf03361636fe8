"""
How many stations each radio serves, by the best evidence there is.

1. The switch's forwarding table: who is learnt on the port of an access point hangs on that access point.
2. BSS Load (IEEE 802.11-2020, 9.4.2.27): the number that the radio itself announces.
3. The share: those who are present and wireless, spread over the radios as the plan spreads them.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.presence import Presence
    from netaudit.audit.roster import Roster
    from netaudit.audit.series import Series
    from netaudit.site.model import Band, Site
    from netaudit.store.records import Heard

    Air = tuple[str, Band]
    Weights = Mapping[Air, float]

FORWARDING: Final = "forwarding table of its switch"
ANNOUNCED: Final = "announced by the radio (BSS Load)"
SHARE: Final = "its share of the Wi-Fi devices heard"
# A table or an announcement older than this no longer tells of now: three sweeps at the default of 300 s.
FRESH_S: Final = 900.0


@dataclass(frozen=True, slots=True)
class Count:
    """Stations of one radio; a share may be a fraction."""

    count: float
    evidence: str
    at: datetime


def count_stations(
    site: Site,
    roster: Roster,
    present: Iterable[Presence],
    *,
    series: Mapping[tuple[str, str], Series],
    notices: Iterable[Heard],
    now: datetime,
) -> dict[Air, Count]:
    """Count the stations of each radio. Who joins never lowers a count."""
    air = _planned_air(roster)
    here = tuple(present)
    learnt, read = _learnt(site, roster, notices, now)
    located: dict[Air, float] = defaultdict(float)
    shared: dict[Air, float] = defaultdict(float)
    by_segment = {name: _weights(site, roster, name) for name in site.segment}
    for one, amount in _wireless(here, roster):
        weights = air.get(one.thing.group, {}) if one.thing else by_segment[one.segment]
        point = learnt.get(one.mac)
        if point is not None:
            _spread(located, _only(site, point, weights), 1.0)
        else:
            # An access point whose table is known has no unknown stations.
            free = {key: weight for key, weight in weights.items() if key[0] not in read}
            _spread(shared, free, amount)
    found: dict[Air, Count] = {}
    for key in roster.topology.stations:
        announced = series.get((f"radio:{key[0]}/{key[1]}", vocabulary.STATIONS))
        told = announced.fresh(now, FRESH_S) if announced else None
        if key[0] in read:
            found[key] = Count(located.get(key, 0.0), FORWARDING, now)
        elif announced is not None and announced.latest is not None and told is not None:
            found[key] = Count(told, ANNOUNCED, announced.latest.at)
        else:
            found[key] = Count(shared.get(key, 0.0), SHARE, now)
    return found


def _wireless(present: tuple[Presence, ...], roster: Roster) -> list[tuple[Presence, float]]:
    """
    List who may be wireless, each with how much of it is.

    Of those without a name on a segment with a network name, as many may be wired as the plan has wired things without one.
    """
    unnamed: dict[str, int] = defaultdict(int)
    for one in present:
        unnamed[one.segment] += one.thing is None
    amount: dict[str, float] = {}
    for segment, number in unnamed.items():
        room = roster.rooms[segment]
        places = room.wifi + room.wired
        wired = room.wired * min(1.0, number / places) if places else 0.0
        amount[segment] = (number - wired) / number if number and room.on_air else 0.0
    found = [(one, float(one.thing.wifi) if one.thing else amount[one.segment]) for one in present]
    return [(one, share) for one, share in found if share > 0]


def _planned_air(roster: Roster) -> dict[str, dict[Air, float]]:
    """Give the radios of each group of the plan, with the part of the group on each."""
    air: defaultdict[str, dict[Air, float]] = defaultdict(dict)
    for key, listed in roster.topology.stations.items():
        for one in listed:
            air[f"device:{one.name}"][key] = one.count / one.device.count
    return air


def _weights(site: Site, roster: Roster, segment: str) -> dict[Air, float]:
    """Say how those without a name on a segment spread over the radios: as the plan's own wireless devices there do."""
    weights: dict[Air, float] = defaultdict(float)
    for key, listed in roster.topology.stations.items():
        for one in listed:
            if roster.topology.segment_of[one.name] == segment:
                weights[key] += one.count * max(one.device.count - len(one.device.mac), 0) / one.device.count
    if any(weights.values()):
        return weights
    # The plan has none there: evenly over the access points that announce it, on the band that every device speaks.
    order = ("2.4", "5", "6")
    return {
        (name, min((radio.band for radio in point.radio), key=order.index)): 1.0
        for name, point in site.access_point.items()
        if point.ssids is None or segment in point.ssids
    }


def _only(site: Site, point: str, weights: Weights) -> Weights:
    """Keep the weights of one access point; evenly over its radios when the plan doesn't say."""
    kept = {key: weight for key, weight in weights.items() if key[0] == point and weight > 0}
    return kept or {(point, radio.band): 1.0 for radio in site.access_point[point].radio}


def _spread(into: dict[Air, float], weights: Weights, amount: float) -> None:
    total = sum(weights.values())
    for key, weight in weights.items():
        if weight > 0:
            into[key] += amount * weight / total


def _learnt(
    site: Site, roster: Roster, notices: Iterable[Heard], now: datetime
) -> tuple[dict[str, str], frozenset[str]]:
    """
    Say which MAC hangs on which access point, and of which access points the switch told, from tables and neighbours.

    The port of an access point is the one, on the switch that the plan patches it to, where its own MAC is learnt or where
    it says its name by LLDP.
    """
    ports: defaultdict[str, set[str]] = defaultdict(set)
    neighbours: defaultdict[str, set[str]] = defaultdict(set)
    for notice in notices:
        detail = dict(notice.detail)
        if (now - notice.last_at).total_seconds() > FRESH_S:
            continue
        if notice.kind == vocabulary.FORWARDING:
            ports[notice.place].add(detail.get("mac", ""))
        elif notice.kind == vocabulary.LLDP_NEIGHBOUR:
            neighbours[notice.place].add(detail.get("chassis", ""))
    found: dict[str, str] = {}
    read: set[str] = set()
    for name, point in site.access_point.items():
        own = {point.mac, *point.bssids}
        switch = roster.topology.access_point_switch[name]
        for place, macs in ports.items():
            if place.startswith(f"switch:{switch}/") and own & (macs | neighbours[place]):
                found.update((mac, name) for mac in macs - own)
                read.add(name)
    return found, frozenset(read)
