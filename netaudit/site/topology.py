"""
Who hangs on what: the plan's names followed to their ends, once, for all subjects.

Where the plan is silent, the nearest thing serves: a wired device its room's closet, a wireless one the access points of its
room, else of its building, else all. A group's stations are shared evenly, in fractions: so splitting a group in two
changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.site.model import AccessPoint, Band, Device, Profile, Radio, Site

ROUTER = "router"


@dataclass(frozen=True, slots=True)
class Stations:
    """A share of one device group on one radio: `count` may be a fraction."""

    name: str
    device: Device
    profile: Profile
    count: float


@dataclass(frozen=True, slots=True)
class Wired:
    """Something on a port: `count` of the plan's `ref` (`device:bell`, `access_point:yard`, `recorder:vault`)."""

    ref: str
    count: int
    rate_bps: float


@dataclass(frozen=True, slots=True)
class Topology:
    """
    The plan's names, followed.

    Shapes: `stations[(access point, band)]`, `wired[switch]`, `uplink[switch]` is "router" or a switch's name,
    `path[switch]` the switches from it up to the router, itself first.
    """

    stations: Mapping[tuple[str, Band], tuple[Stations, ...]]
    wired: Mapping[str, tuple[Wired, ...]]
    uplink: Mapping[str, str]
    path: Mapping[str, tuple[str, ...]]
    access_point_switch: Mapping[str, str]
    recorder_switch: Mapping[str, str]
    segment_of: Mapping[str, str]
    unserved: tuple[str, ...]


def building_of(site: Site, place: str | None) -> str | None:
    """Name the building of a room or closet; the only one when neither says."""
    if place in site.room:
        named = site.room[place].building
    elif place in site.closet:
        named = site.closet[place].building
    else:
        return None
    return named or (next(iter(site.building)) if len(site.building) == 1 else None)


def is_outdoor(site: Site, place: str | None) -> bool:
    """Say whether a room or closet is exposed to weather."""
    if place in site.room:
        return site.room[place].outdoor
    return place in site.closet and site.closet[place].outdoor


def closet_of(site: Site, place: str | None) -> str | None:
    """Name the closet that serves a place: itself, its room's, one in its building, the first."""
    if place in site.closet:
        return place
    if place in site.room and site.room[place].closet is not None:
        return site.room[place].closet
    building = building_of(site, place)
    for name, closet in site.closet.items():
        if building is not None and (closet.building or building_of(site, name)) == building:
            return name
    return next(iter(site.closet), None)


def switch_closet(site: Site, switch: str) -> str | None:
    """Name the closet in which a switch stands."""
    return site.switch[switch].closet or next(iter(site.closet), None)


def switch_segment(site: Site, switch: str) -> str:
    """Name the segment on which a switch has its own address: as planned, else the one that holds it, else the first."""
    row = site.switch[switch]
    if row.segment is not None:
        return row.segment
    own = row.own_address
    holding = (name for name, segment in site.segment.items() if own is not None and own in segment.network)
    return next(holding, next(iter(site.segment)))


def router_closet(site: Site) -> str | None:
    """Name the closet in which the router stands."""
    return site.router.closet or next(iter(site.closet), None)


def radio_of(point: AccessPoint, band: Band) -> Radio | None:
    """Give an access point's radio on a band."""
    return next((radio for radio in point.radio if radio.band == band), None)


def _band_for(device: Device, profile: Profile, point: AccessPoint) -> Band | None:
    """Choose the band: the device's own word, else the highest that both ends speak."""
    if device.band is not None:
        return device.band if radio_of(point, device.band) else None
    for band in ("6", "5", "2.4"):
        if band in profile.bands and radio_of(point, band) is not None:
            return band
    return None


def _serving(
    site: Site, device: Device, by_room: Mapping[str, tuple[str, ...]], by_building: Mapping[str, tuple[str, ...]]
) -> tuple[str, ...]:
    if device.access_points:
        return device.access_points
    if device.at is not None and device.at in by_room:
        return by_room[device.at]
    building = building_of(site, device.at)
    if building is not None and building in by_building:
        return by_building[building]
    return tuple(site.access_point)


def _index(site: Site) -> tuple[dict[str, tuple[str, ...]], dict[str, tuple[str, ...]]]:
    by_room: dict[str, tuple[str, ...]] = {}
    by_building: dict[str, tuple[str, ...]] = {}
    for name, point in site.access_point.items():
        if point.at is not None:
            by_room[point.at] = (*by_room.get(point.at, ()), name)
            building = building_of(site, point.at)
            if building is not None:
                by_building[building] = (*by_building.get(building, ()), name)
    return by_room, by_building


def follow(site: Site) -> Topology:
    """Follow every name of a checked plan. Linear in devices; raises nothing on a plan that `check.py` passed."""
    first_in: dict[str | None, str] = {}
    for name in site.switch:
        first_in.setdefault(switch_closet(site, name), name)
    any_switch = next(iter(site.switch), ROUTER)
    switch_at: dict[str | None, str] = {}

    def nearest(place: str | None) -> str:
        if place not in switch_at:
            switch_at[place] = first_in.get(closet_of(site, place), any_switch)
        return switch_at[place]

    only_segment = next(iter(site.segment))
    by_room, by_building = _index(site)
    stations: dict[tuple[str, Band], list[Stations]] = {
        (name, radio.band): [] for name, point in site.access_point.items() for radio in point.radio
    }
    wired: dict[str, list[Wired]] = {name: [] for name in site.switch}
    wired.setdefault(ROUTER, [])
    segment_of: dict[str, str] = {}
    unserved: list[str] = []
    for name, device in site.device.items():
        profile = site.profile[device.kind]
        segment_of[name] = device.segment or only_segment
        if profile.link == "wired":
            rate = device.rate_bps or profile.port_rate_bps
            # A camera's stated rate is its stream; its port is what its profile says.
            if profile.recorded:
                rate = profile.port_rate_bps
            wired[device.switch or nearest(device.at)].append(Wired(f"device:{name}", device.count, rate))
            continue
        reached = [
            (point, band)
            for point in _serving(site, device, by_room, by_building)
            if (band := _band_for(device, profile, site.access_point[point])) is not None
        ]
        if not reached:
            unserved.append(name)
        for point, band in reached:
            stations[point, band].append(Stations(name, device, profile, device.count / len(reached)))
    points = {name: point.switch or nearest(point.at) for name, point in site.access_point.items()}
    for name, switch in points.items():
        wired[switch].append(Wired(f"access_point:{name}", 1, site.access_point[name].rate_bps))
    recorders = {name: recorder.switch or nearest(recorder.closet) for name, recorder in site.recorder.items()}
    for name, switch in recorders.items():
        wired[switch].append(Wired(f"recorder:{name}", 1, site.recorder[name].rate_bps))
    uplink = {name: switch.uplink.removeprefix("switch:") for name, switch in site.switch.items()}
    return Topology(
        stations={key: tuple(found) for key, found in stations.items()},
        wired={key: tuple(found) for key, found in wired.items()},
        uplink=uplink,
        path={name: _path(name, uplink) for name in site.switch},
        access_point_switch=points,
        recorder_switch=recorders,
        segment_of=segment_of,
        unserved=tuple(unserved),
    )


def _path(switch: str, uplink: Mapping[str, str]) -> tuple[str, ...]:
    path = [switch]
    while (above := uplink[path[-1]]) != ROUTER and above not in path:
        path.append(above)
    return tuple(path)
