"""
Who the plan expects, one by one: by which address each is known, where it belongs, and how long it may be silent.

A group of `count` devices is `count` things. Those that the plan knows neither by MAC nor by a fixed address have no
name of their own: their segment merely expects so many (`Room.wifi`, `Room.wired`).
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

from netaudit.site.topology import ROUTER, follow, switch_segment

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from netaudit.site.model import Device, Profile, Segment, Site
    from netaudit.site.topology import Topology

# An access point, recorder or gateway has no profile that says how long it may be silent; the profiles' own default.
EQUIPMENT_OFFLINE_AFTER_S = 600.0


@dataclass(frozen=True, slots=True)
class Thing:
    """
    One thing of the plan that can be recognised.

    ref           its place in words of the ledger: `device:desk`, `device:cameras/2`, `access_point:hall`,
                  `switch:loft`, `segment:family/gateway`
    group         the plan's own ref, without the number
    segment       where it belongs; empty for what is on several by its nature (the router) or of which only a MAC is known
    way           what it hangs on, nearest first: its only access point if wireless, its switch and those above
    watched       its silence is worth telling
    silent_after_s  silence after which it is missing
    """

    ref: str
    group: str
    label: str
    segment: str
    mac: str | None
    address: str | None
    wifi: bool
    way: tuple[str, ...]
    watched: bool
    silent_after_s: float
    sleeps: bool = False
    hostname: str | None = None

    def strays(self, segment: str, *, addressed: bool) -> bool:
        """
        Say whether to be seen on a segment is to be in the wrong place.

        A switch says its name (LLDP) on every port, whichever segment that is of: only where it has an address counts.
        """
        if not self.segment or segment == self.segment:
            return False
        return addressed or not self.group.startswith("switch:")


@dataclass(frozen=True, slots=True)
class Room:
    """
    What a segment expects besides those who are known.

    wifi, wired   things of the plan that have neither MAC nor fixed address
    silences_s    how long each of these may be silent, the longest first
    open_house    guests come and go: whoever is here is expected
    on_air        it has a network name: whoever is unknown here may be wireless
    """

    wifi: int
    wired: int
    silences_s: tuple[float, ...]
    open_house: bool
    on_air: bool


@dataclass(frozen=True, slots=True)
class Roster:
    """
    The plan's things by what they are known by.

    router        the router as one thing, for who has one of its MACs and none of its addresses
    router_macs   those that the plan gives
    router_ports  the numbers of its LAN ports by what it calls them, in lower case
    by_name       ref of the switch, access point or recorder that is called so by its name or label; of two none
    """

    things: tuple[Thing, ...]
    by_mac: Mapping[str, Thing]
    by_address: Mapping[str, Thing]
    by_ref: Mapping[str, Thing]
    rooms: Mapping[str, Room]
    topology: Topology
    router: Thing
    router_macs: frozenset[str]
    router_ports: Mapping[str, int]
    by_name: Mapping[str, str]

    def recognise(self, mac: str, addresses: Iterable[str]) -> Thing | None:
        """
        Give the thing that this is, by its MAC or one of its current addresses.

        A MAC in the plan decides. An address decides only for a thing whose MAC the plan leaves out: whoever takes the
        address of a thing with a known MAC is somebody else.
        """
        known = self.by_mac.get(mac)
        if known is not None:
            return known
        claimed = (self.by_address.get(address) for address in addresses)
        found = next((thing for thing in claimed if thing is not None and thing.mac is None), None)
        return self.router if found is None and mac in self.router_macs else found

    def neighbour(self, chassis: str, name: str) -> str | None:
        """Give the ref of who says by LLDP that it is plugged in: by its MAC, else by the name that it gives itself."""
        if chassis in self.by_mac:
            return self.by_mac[chassis].ref
        if chassis in self.router_macs:
            return ROUTER
        # A name may have its domain behind it.
        short = name.partition(".")[0].casefold()
        return self.by_name.get(name.casefold()) or self.by_name.get(short)


def enrol(site: Site) -> Roster:
    """List who a checked plan expects. Linear in devices."""
    topology = follow(site)
    things = [*_gateways(site), *_equipment(site, topology), *_devices(site, topology)]
    named = [thing for thing in things if thing.mac or thing.address]
    unnamed: dict[str, list[Thing]] = {name: [] for name in site.segment}
    for thing in things:
        if not (thing.mac or thing.address):
            unnamed[thing.segment].append(thing)
    router = _router(site)
    return Roster(
        things=tuple(named),
        by_mac={**_on_air(site, named), **{thing.mac: thing for thing in named if thing.mac}},
        by_address={thing.address: thing for thing in named if thing.address},
        by_ref={router.ref: router, **{thing.ref: thing for thing in named}},
        rooms={name: _room(segment, unnamed[name]) for name, segment in site.segment.items()},
        topology=topology,
        router=router,
        router_macs=frozenset(site.router.mac),
        router_ports={name.casefold(): number for number, name in enumerate(site.router.port_names, 1)},
        by_name=_by_name(site),
    )


def _by_name(site: Site) -> dict[str, str]:
    refs: dict[str, set[str]] = {}
    for table in ("switch", "access_point", "recorder"):
        for name, row in getattr(site, table).items():
            for word in {name.casefold(), row.label.casefold()} - {""}:
                refs.setdefault(word, set()).add(f"{table}:{name}")
    return {word: next(iter(found)) for word, found in refs.items() if len(found) == 1}


def _on_air(site: Site, named: list[Thing]) -> dict[str, Thing]:
    """Give the access points by the addresses that their radios use: heard on a cable, these are nobody new."""
    points = {thing.ref.removeprefix("access_point:"): thing for thing in named}
    return {
        bssid: points[name] for name, point in site.access_point.items() if name in points for bssid in point.bssids
    }


def gateway_of(segment: Segment) -> IPv4Address:
    """Give the router's address on a segment: as written, else the network's first."""
    return segment.gateway or IPv4Address(int(segment.network.network_address) + 1)


def _room(segment: Segment, unnamed: list[Thing]) -> Room:
    wifi = sum(thing.wifi for thing in unnamed)
    return Room(
        wifi=wifi,
        wired=len(unnamed) - wifi,
        silences_s=tuple(sorted((thing.silent_after_s for thing in unnamed), reverse=True)),
        open_house=segment.guests is not None,
        on_air=segment.ssid is not None,
    )


def _router(site: Site) -> Thing:
    return Thing(
        ref=ROUTER,
        group=ROUTER,
        label=site.router.label or ROUTER,
        segment="",
        mac=None,
        address=None,
        wifi=False,
        way=(),
        watched=False,
        silent_after_s=EQUIPMENT_OFFLINE_AFTER_S,
    )


def _gateways(site: Site) -> Iterator[Thing]:
    for name, segment in site.segment.items():
        # Where the plan leaves the gateway out its address is our guess: good to recognise it, not to miss it.
        yield Thing(
            ref=f"segment:{name}/gateway",
            group=ROUTER,
            label=site.router.label,
            segment=name,
            mac=None,
            address=str(gateway_of(segment)),
            wifi=False,
            way=(),
            watched=segment.gateway is not None,
            silent_after_s=EQUIPMENT_OFFLINE_AFTER_S,
        )


def _equipment(site: Site, topology: Topology) -> Iterator[Thing]:
    first = next(iter(site.segment))
    for name, switch in site.switch.items():
        own = switch.own_address
        if switch.mac is None and own is None:
            continue
        yield Thing(
            ref=f"switch:{name}",
            group=f"switch:{name}",
            label=switch.label,
            segment=switch_segment(site, name) if own or switch.segment else "",
            mac=switch.mac,
            address=str(own) if own else None,
            wifi=False,
            way=_above(topology, name),
            # One that has only a MAC may have no address at all, and then answers nobody.
            watched=own is not None,
            silent_after_s=EQUIPMENT_OFFLINE_AFTER_S,
        )
    for name, point in site.access_point.items():
        yield Thing(
            ref=f"access_point:{name}",
            group=f"access_point:{name}",
            label=point.label,
            segment=point.segment or first,
            mac=point.mac,
            address=str(point.address) if point.address else None,
            wifi=False,
            way=(f"access_point:{name}", *_above(topology, topology.access_point_switch[name])),
            watched=True,
            silent_after_s=EQUIPMENT_OFFLINE_AFTER_S,
        )
    for name, recorder in site.recorder.items():
        yield Thing(
            ref=f"recorder:{name}",
            group=f"recorder:{name}",
            label=recorder.label,
            segment=recorder.segment or first,
            mac=recorder.mac,
            address=str(recorder.address) if recorder.address else None,
            wifi=False,
            way=_above(topology, topology.recorder_switch[name]),
            watched=True,
            silent_after_s=EQUIPMENT_OFFLINE_AFTER_S,
        )


def _devices(site: Site, topology: Topology) -> Iterator[Thing]:
    switch_of = {wired.ref: switch for switch, listed in topology.wired.items() for wired in listed}
    points_of: dict[str, list[str]] = {}
    for (point, _), listed in topology.stations.items():
        for stations in listed:
            points_of.setdefault(stations.name, []).append(point)
    for name, device in site.device.items():
        profile = site.profile[device.kind]
        if profile.link == "wifi":
            points = points_of.get(name, [])
            only = points[0] if len(points) == 1 else None
            way = (f"access_point:{only}", *_above(topology, topology.access_point_switch[only])) if only else ()
        else:
            way = _above(topology, switch_of.get(f"device:{name}", ""))
        yield from _each(name, device, profile, topology.segment_of[name], way)


def _each(name: str, device: Device, profile: Profile, segment: str, way: tuple[str, ...]) -> Iterator[Thing]:
    for index in range(device.count):
        alone = device.count == 1
        yield Thing(
            ref=f"device:{name}" if alone else f"device:{name}/{index + 1}",
            group=f"device:{name}",
            label=device.label,
            segment=segment,
            mac=device.mac[index] if index < len(device.mac) else None,
            address=str(device.address + index) if device.address else None,
            wifi=profile.link == "wifi",
            way=way,
            watched=not device.may_be_absent,
            silent_after_s=profile.offline_after_s,
            sleeps=profile.sleeps,
            hostname=device.hostname if alone else None,
        )


def _above(topology: Topology, switch: str) -> tuple[str, ...]:
    return tuple(f"switch:{name}" for name in topology.path.get(switch, ()))
