"""
Load of every link in the busy hour, from the devices up the tree of switches to the router and out.

A camera's stream goes to its recorder by the shortest way through the tree, or past the router when the two are in different
segments. All other traffic is counted all the way up: who talks to whom inside a segment is not in the plan, and so no
link is counted too low. LAN links carry frames with preamble and gap; the way out and the router are counted in packets. A
link is as fast as the slower of its ends. Broadcasts, which count on the air, are too few to count on cables.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from netaudit.capacity.ethernet import oversubscription, wire_rate_bps
from netaudit.capacity.line import PRACTICE, USER, Kind, Line, Step, Verdict
from netaudit.capacity.patching import UPLINK, Patching, patch
from netaudit.site.topology import ROUTER, follow

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from netaudit.site.model import Device, Profile, Segment, Site
    from netaudit.site.topology import Topology

LAN_BASIS = "IEEE 802.3 clauses 3 and 4: preamble and gap counted; demand from the profiles"
WAN_BASIS = "packets from the network header up; demand from the profiles"
LINK_REASON = f"queues grow steeply above it, and a busy hour has busier minutes ({PRACTICE}: 70 %)"
RECORDER_REASON = f"cameras are a constant load that can't wait ({PRACTICE}: 50 %)"
HOPS_REASON = f"each switch in a row is one more that can fail for all behind it ({PRACTICE}: 3)"
OVERSUBSCRIPTION_LIMIT = 20.0
RECORDED = "streams to recorders"
# More summands than this are not read; the rest is given as one.
MOST_SUMMANDS = 6


@dataclass(frozen=True, slots=True)
class Talk:
    """
    What one device says and hears in the busy hour [bit/s].

    up and down on the wire, without the recorded stream; stream on the wire; out_up and out_down in packets past the router;
    stream_packets the stream in packets.
    """

    up_bps: float
    down_bps: float
    stream_bps: float
    out_up_bps: float
    out_down_bps: float
    stream_packets_bps: float


@dataclass(slots=True)
class Load:
    """Both directions of one link, and of which kinds of devices; up is towards the router [bit/s]."""

    up_bps: float = 0.0
    down_bps: float = 0.0
    up_by_kind: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    down_by_kind: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))

    def add(self, up_bps: float, down_bps: float, kind: str) -> None:
        """Add traffic of one kind of device."""
        self.up_bps += up_bps
        self.down_bps += down_bps
        self.up_by_kind[kind] += up_bps
        self.down_by_kind[kind] += down_bps

    def join(self, other: Load) -> None:
        """Add all traffic of another link."""
        self.up_bps += other.up_bps
        self.down_bps += other.down_bps
        for kind, bps in other.up_by_kind.items():
            self.up_by_kind[kind] += bps
        for kind, bps in other.down_by_kind.items():
            self.down_by_kind[kind] += bps


@dataclass(frozen=True, slots=True)
class Loads:
    """Load of each switch's uplink, each access point's and recorder's cable, the way out, and what the router forwards."""

    switch: dict[str, Load] = field(default_factory=lambda: defaultdict(Load))
    access_point: dict[str, Load] = field(default_factory=lambda: defaultdict(Load))
    recorder: dict[str, Load] = field(default_factory=lambda: defaultdict(Load))
    wan: Load = field(default_factory=Load)
    routed: Load = field(default_factory=Load)


def stream_packets_per_s(device: Device, profile: Profile) -> float:
    """Packets a second of a recorded stream: the plan's own rate in packets of the profile's size, else the profile's."""
    if device.rate_bps is None:
        return profile.up.frames_per_s
    return device.rate_bps / (8.0 * profile.up.frame_bytes)


def talk_of(device: Device, profile: Profile, *, tagged: bool) -> Talk:
    """
    Reckon what one device says and hears.

    The recorder gets the whole stream; the share that leaves the site is watched from elsewhere and comes on top.
    """
    down_bps = wire_rate_bps(profile.down.frames_per_s, profile.down.frame_bytes, tagged=tagged)
    packets_per_s = stream_packets_per_s(device, profile) if profile.recorded else profile.up.frames_per_s
    said_bps = wire_rate_bps(packets_per_s, profile.up.frame_bytes, tagged=tagged)
    said_packets_bps = 8.0 * packets_per_s * profile.up.frame_bytes
    return Talk(
        up_bps=said_bps * profile.outside if profile.recorded else said_bps,
        down_bps=down_bps,
        stream_bps=said_bps if profile.recorded else 0.0,
        out_up_bps=said_packets_bps * profile.outside,
        out_down_bps=profile.down.rate_bps * profile.outside,
        stream_packets_bps=said_packets_bps if profile.recorded else 0.0,
    )


def recorder_of(site: Site, device: Device) -> str | None:
    """Name the recorder that keeps a camera's stream: its own, else the plan's first."""
    return device.recorder or next(iter(site.recorder), None)


def load(site: Site, topology: Topology, patching: Patching) -> Loads:
    """Add up the load of every link of a checked plan. Linear in device groups."""
    loads = Loads()
    stands = _standing(patching)
    only_segment = next(iter(site.segment))
    talks: dict[tuple[str, float | None, bool], Talk] = {}
    # (switch of the camera, recorder, past the router) -> bit/s on the wire.
    streams: defaultdict[tuple[str, str, bool], float] = defaultdict(float)
    to_router: defaultdict[str, Load] = defaultdict(Load)

    def count(device: Device, profile: Profile, number: float, switch: str) -> tuple[float, float]:
        segment_name = device.segment or only_segment
        tagged = _is_tagged(site.segment[segment_name])
        key = (device.kind, device.rate_bps, tagged)
        talk = talks.get(key)
        if talk is None:
            talk = talks[key] = talk_of(device, profile, tagged=tagged)
        up_bps = talk.up_bps * number
        recorder = recorder_of(site, device) if profile.recorded else None
        if recorder is not None:
            past = (site.recorder[recorder].segment or only_segment) != segment_name
            streams[switch, recorder, past] += talk.stream_bps * number
            if past:
                loads.routed.add(talk.stream_packets_bps * number, 0.0, RECORDED)
        elif profile.recorded:
            # Nobody keeps it in this plan (the recording subject says so); it still goes somewhere.
            up_bps += talk.stream_bps * number
        to_router[switch].add(up_bps, talk.down_bps * number, device.kind)
        loads.wan.add(talk.out_up_bps * number, talk.out_down_bps * number, device.kind)
        loads.routed.add(talk.out_up_bps * number, talk.out_down_bps * number, device.kind)
        return (talk.up_bps + talk.stream_bps) * number, talk.down_bps * number

    for name, device in site.device.items():
        profile = site.profile[device.kind]
        if profile.link == "wired":
            for switch, number in stands[f"device:{name}"]:
                count(device, profile, number, switch)
    for (point, _), stations in topology.stations.items():
        switch = stands[f"access_point:{point}"][0][0]
        for station in stations:
            said_bps, heard_bps = count(station.device, station.profile, station.count, switch)
            loads.access_point[point].add(said_bps, heard_bps, station.device.kind)

    for switch, demand in to_router.items():
        for passed in topology.path.get(switch, ()):
            loads.switch[passed].join(demand)
    for (source, recorder, past), rate_bps in streams.items():
        target = stands[f"recorder:{recorder}"][0][0]
        loads.recorder[recorder].add(0.0, rate_bps, RECORDED)
        _carry(loads, topology.path.get(source, ()), topology.path.get(target, ()), rate_bps, past=past)
    return loads


def _carry(loads: Loads, up: tuple[str, ...], down: tuple[str, ...], rate_bps: float, *, past: bool) -> None:
    """Put a stream on the uplinks from a camera up and down to its recorder: past the router it takes those both share, too."""
    shared = set() if past else set(up) & set(down)
    for passed in up:
        if passed not in shared:
            loads.switch[passed].add(rate_bps, 0.0, RECORDED)
    for passed in down:
        if passed not in shared:
            loads.switch[passed].add(0.0, rate_bps, RECORDED)


def _is_tagged(segment: Segment) -> bool:
    return segment.vlan is not None


def _standing(patching: Patching) -> dict[str, list[tuple[str, int]]]:
    """Give each thing's switches with how many of it are there; what found no port is counted where it was meant to go."""
    found: defaultdict[str, list[tuple[str, int]]] = defaultdict(list)
    for patched in patching.patches:
        found[patched.plug.ref].append((patched.switch, patched.count))
    for plug, count, switch in patching.unplaced:
        found[plug.ref].append((switch, count))
    return found


def _port_rates(patching: Patching) -> dict[str, float]:
    """Rate of the slowest port that each link ends in; a switch's own end counts with the one above."""
    found: dict[str, float] = {}
    for patched in patching.patches:
        ref = f"switch:{patched.switch}" if patched.plug.ref == UPLINK else patched.plug.ref
        rate_bps = patching.groups[patched.switch][patched.group].rate_bps
        found[ref] = min(found.get(ref, math.inf), rate_bps)
    return found


def judge(site: Site, patching: Patching | None = None) -> Verdict:
    """
    Judge the links, the router and the way out of a checked plan.

    Args:      patching the plan's patch schedule, where it is solved already.
    """
    patching = patching or patch(site)
    topology = follow(site)
    loads = load(site, topology, patching)
    return Verdict(lines=tuple(_lines(site, topology, patching, loads)))


def _lines(site: Site, topology: Topology, patching: Patching, loads: Loads) -> Iterator[Line]:
    by_switch = patching.by_switch()
    port_bps = _port_rates(patching)
    for name, switch in site.switch.items():
        rates = [patched.plug.rate_bps * patched.count for patched in by_switch[name] if patched.plug.ref != UPLINK]
        uplink_bps = min(switch.uplink_rate_bps, port_bps.get(f"switch:{name}", math.inf))
        ratio = oversubscription(rates, uplink_bps)
        steps = (Step("access rates patched here, to one of the uplink", ratio, ":1", USER),)
        note = (
            f"{ratio:.0f} to 1 is much to ask of one uplink ({PRACTICE}: {OVERSUBSCRIPTION_LIMIT:g} to 1)"
            if ratio > OVERSUBSCRIPTION_LIMIT
            else ""
        )
        yield from _pair(site, f"switch/{name}", loads.switch[name], uplink_bps, steps=steps, note=note)
        hops = len(topology.path[name])
        yield Line(
            Kind.HOPS,
            f"switch:{name}",
            "hops",
            supply=site.ceilings.hops,
            ceiling=1.0,
            ceiling_reason=HOPS_REASON,
            planned=hops,
            grown=hops,
            basis=PRACTICE,
            steps=tuple(Step(f"switch {passed}", 1, "hops", USER) for passed in topology.path[name]),
            inputs=(("way to the router", " -> ".join((*topology.path[name], ROUTER))),),
        )
    for name, point in site.access_point.items():
        rate_bps = min(point.rate_bps, port_bps.get(f"access_point:{name}", math.inf))
        yield from _pair(site, f"access_point/{name}", loads.access_point[name], rate_bps)
    for name, recorder in site.recorder.items():
        yield _line(
            site,
            Kind.LINK_DOWN,
            f"link:recorder/{name}",
            min(recorder.rate_bps, port_bps.get(f"recorder:{name}", math.inf)),
            loads.recorder[name],
            ceiling=min(site.ceilings.links, site.ceilings.recorder_link),
            reason=RECORDER_REASON,
        )
    wan = loads.wan
    yield _line(site, Kind.LINK_UP, "link:wan", site.router.wan_up_bps, wan, basis=WAN_BASIS)
    yield _line(site, Kind.LINK_DOWN, "link:wan", site.router.wan_down_bps, wan, basis=WAN_BASIS)
    yield _line(site, Kind.ROUTED, ROUTER, site.router.routed_bps, loads.routed, basis=WAN_BASIS)


def _pair(
    site: Site, place: str, found: Load, supply_bps: float, *, steps: tuple[Step, ...] = (), note: str = ""
) -> Iterator[Line]:
    yield _line(site, Kind.LINK_UP, f"link:{place}", supply_bps, found, steps=steps, note=note)
    yield _line(site, Kind.LINK_DOWN, f"link:{place}", supply_bps, found, steps=steps, note=note)


def _line(
    site: Site,
    kind: Kind,
    place: str,
    supply_bps: float,
    found: Load,
    *,
    ceiling: float | None = None,
    reason: str = LINK_REASON,
    basis: str = LAN_BASIS,
    steps: tuple[Step, ...] = (),
    note: str = "",
) -> Line:
    upwards = {Kind.LINK_UP: (found.up_by_kind,), Kind.LINK_DOWN: (found.down_by_kind,)}
    parts = upwards.get(kind, (found.up_by_kind, found.down_by_kind))
    planned_bps = {Kind.LINK_UP: found.up_bps, Kind.LINK_DOWN: found.down_bps}.get(kind, found.up_bps + found.down_bps)
    return Line(
        kind,
        place,
        "bit/s",
        supply=supply_bps,
        ceiling=site.ceilings.links if ceiling is None else ceiling,
        ceiling_reason=reason,
        planned=planned_bps,
        grown=planned_bps * (1.0 + site.site.growth),
        basis=basis,
        steps=(*_summands(parts, basis), *steps),
        note=note,
    )


def _summands(parts: tuple[Mapping[str, float], ...], basis: str) -> Iterator[Step]:
    """Say which kinds of devices a load comes from, the heaviest first."""
    total: defaultdict[str, float] = defaultdict(float)
    for part in parts:
        for kind, bps in part.items():
            total[kind] += bps
    heavy = sorted(((bps, kind) for kind, bps in total.items() if bps > 0), reverse=True)
    for bps, kind in heavy[:MOST_SUMMANDS]:
        yield Step(kind.replace("_", " "), bps, "bit/s", basis)
    rest = heavy[MOST_SUMMANDS:]
    if rest or not heavy:
        yield Step("all other kinds" if heavy else "nothing", sum(bps for bps, _ in rest), "bit/s", basis)
