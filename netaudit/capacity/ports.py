"""
Switch ports and fixed cables: what each closet has and needs, and what is wrong with a drop.

The arrangement of plugs on ports comes from the patch schedule; here it is counted, and each drop is held against the lengths
and rates that its category is good for.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from netaudit.capacity import cable
from netaudit.capacity.line import PRACTICE, USER, Flaw, Hazard, Kind, Line, Step, Verdict
from netaudit.capacity.patching import UPLINK, Fit, Patch, Patching, Plug, patch
from netaudit.site.topology import ROUTER, building_of, is_outdoor, router_closet, switch_closet

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from netaudit.site.model import Drop, PortGroup, Site

PORTS_REASON = f"10 % spare ports ({PRACTICE})"
LENGTH_BASIS = "ANSI/TIA-568.2-D 6.3, 6.4; ISO/IEC 11801-1"


def judge(site: Site, patching: Patching | None = None) -> Verdict:
    """
    Judge ports, drops and what stands outdoors in a checked plan.

    Args:      patching the plan's patch schedule, where it is solved already.
    """
    patching = patching or patch(site)
    by_switch = patching.by_switch()
    lines: list[Line] = []
    for switch, patches in by_switch.items():
        place = f"switch:{switch}" if switch != ROUTER else ROUTER
        lines.append(_ports_line(site, place, patching.groups[switch], [(p.plug, p.count) for p in patches]))
    lines += _closet_lines(site, patching)
    return Verdict(
        tuple(lines),
        (*_between_buildings(site), *_outdoors(site)),
        (*_without_room(patching), *_slow_ports(patching), *_drop_flaws(site), *_uplink_flaws(site, patching)),
    )


def _ports_line(site: Site, place: str, groups: Iterable[PortGroup], used: Iterable[tuple[Plug, int]]) -> Line:
    taken = list(used)
    things = sum(count for plug, count in taken if not _is_link(plug))
    links = sum(count for plug, count in taken if _is_link(plug))
    by_kind: defaultdict[tuple[float, str, str], int] = defaultdict(int)
    for group in groups:
        by_kind[group.rate_bps, group.medium, group.power] += group.count
    total = sum(by_kind.values())
    return Line(
        Kind.PORTS,
        place,
        "ports",
        supply=total,
        ceiling=site.ceilings.ports,
        ceiling_reason=PORTS_REASON,
        planned=things + links,
        # The links between switches are as many however many devices there will be.
        grown=things * (1.0 + site.site.growth) + links,
        basis=USER,
        steps=(
            *(
                Step(f"{medium} ports, {rate / 1e6:g} Mb/s, power {power}", count, "ports", USER)
                for (rate, medium, power), count in sorted(by_kind.items())
            ),
            Step("devices, access points and recorders", things, "ports", USER),
            Step("links to other switches and the router", links, "ports", USER),
            Step("spare", total - things - links, "ports", USER),
        ),
    )


def _is_link(plug: Plug) -> bool:
    return plug.ref == UPLINK or plug.ref.startswith("switch:")


def _closet_lines(site: Site, patching: Patching) -> Iterator[Line]:
    """Add up the closet: its switches' ports, what is patched to them, and what found no port there."""
    groups: defaultdict[str, list[PortGroup]] = defaultdict(list)
    used: defaultdict[str, list[tuple[Plug, int]]] = defaultdict(list)
    closet_of_switch = {switch: _closet_of_switch(site, switch) for switch in patching.groups}
    for switch, found in patching.groups.items():
        if (closet := closet_of_switch[switch]) is not None:
            groups[closet] += found
    for patched in patching.patches:
        if (closet := closet_of_switch[patched.switch]) is not None:
            used[closet].append((patched.plug, patched.count))
    for plug, count, switch in patching.unplaced:
        closet = closet_of_switch[switch]
        if closet is not None:
            used[closet].append((plug, count))
    longest: dict[str, tuple[float, str]] = {}
    for name, drop in site.drop.items():
        if drop.category != "fibre":
            longest[drop.starts] = max(longest.get(drop.starts, (0.0, "")), (drop.length_m, name))
    for closet in site.closet:
        yield _ports_line(site, f"closet:{closet}", groups[closet], used[closet])
        powered = sum(group.count for group in groups[closet] if group.power.startswith("type "))
        wanting = sum(count for plug, count in used[closet] if plug.power_class is not None)
        if powered or wanting:
            yield Line(
                Kind.POWERED_PORTS,
                f"closet:{closet}",
                "ports",
                supply=powered,
                ceiling=site.ceilings.ports,
                ceiling_reason=PORTS_REASON,
                planned=wanting,
                grown=wanting * (1.0 + site.site.growth),
                basis=USER,
                steps=(
                    Step("ports that negotiate power, all types", powered, "ports", USER),
                    Step("devices and access points that take it", wanting, "ports", USER),
                ),
            )
        if closet in longest:
            length_m, name = longest[closet]
            yield Line(
                Kind.CABLE,
                f"closet:{closet}",
                "m",
                supply=cable.FIXED_LIMIT_M,
                ceiling=1.0,
                ceiling_reason="a limit of the cabling standard, not a stock that runs low",
                planned=length_m,
                grown=length_m,
                basis=LENGTH_BASIS,
                steps=(Step(f"longest fixed copper cable, drop {name}", length_m, "m", USER),),
            )


def _closet_of_switch(site: Site, switch: str) -> str | None:
    return router_closet(site) if switch == ROUTER else switch_closet(site, switch)


def _without_room(patching: Patching) -> Iterator[Flaw]:
    for plug, count, switch in patching.unplaced:
        pinned = ROUTER if switch == ROUTER else f"switch:{switch}"
        where = pinned if plug.switch is not None or plug.closet is None else f"closet:{plug.closet}"
        what = f"{plug.ref} (its own end)" if plug.ref == UPLINK else plug.ref
        yield Flaw(
            "no_port",
            where,
            f"{count} of {what} {'find' if count > 1 else 'finds'} no free {plug.medium} port",
            "add a switch with free ports there, or move the cable to another closet",
            USER,
        )


def _slow_ports(patching: Patching) -> Iterator[Flaw]:
    for patched in patching.patches:
        rate_bps = patching.groups[patched.switch][patched.group].rate_bps
        if patched.fit is Fit.SLOW and patched.plug.ref != UPLINK:
            yield Flaw(
                "slow_port",
                patched.plug.ref,
                f"wants {_mbps(patched.plug.rate_bps)} and finds a port of {_mbps(rate_bps)} on {patched.switch}",
                "use a switch with faster ports, or plan the lower rate",
                USER,
            )


def _mbps(rate_bps: float) -> str:
    return f"{rate_bps / 1e6:g} Mb/s"


def _uplink_flaws(site: Site, patching: Patching) -> Iterator[Flaw]:
    """An uplink is as fast as the slower of its two ports."""
    ends: defaultdict[str, list[Patch]] = defaultdict(list)
    for patched in patching.patches:
        if patched.plug.ref == UPLINK:
            ends[patched.switch].append(patched)
    for switch, found in ends.items():
        wanted_bps = site.switch[switch].uplink_rate_bps
        slowest_bps = min(patching.groups[patched.switch][patched.group].rate_bps for patched in found)
        if slowest_bps < wanted_bps:
            yield Flaw(
                "slow_port",
                f"switch:{switch}",
                f"its uplink is planned with {_mbps(wanted_bps)} and its port gives {_mbps(slowest_bps)}",
                "use a faster port at both ends, or plan the lower rate",
                USER,
            )


def _rate_of(site: Site, ref: str) -> float:
    """Line rate that a fed thing's port runs at [bit/s]."""
    kind, _, name = ref.partition(":")
    if kind == "switch":
        return site.switch[name].uplink_rate_bps
    if kind == "access_point":
        return site.access_point[name].rate_bps
    if kind == "recorder":
        return site.recorder[name].rate_bps
    device = site.device[name]
    profile = site.profile[device.kind]
    return profile.port_rate_bps if profile.recorded or device.rate_bps is None else device.rate_bps


def _place_of(site: Site, ref: str) -> str | None:
    """Room or closet where a fed thing is, if the plan says so."""
    kind, _, name = ref.partition(":")
    if kind == "switch":
        return site.switch[name].closet
    if kind == "recorder":
        return site.recorder[name].closet
    return site.access_point[name].at if kind == "access_point" else site.device[name].at


def _switch_of(site: Site, ref: str) -> str | None:
    """Switch that the plan names for a fed thing; for a switch, the one above it."""
    kind, _, name = ref.partition(":")
    if kind == "switch":
        return site.switch[name].uplink.removeprefix("switch:")
    if kind == "recorder":
        return site.recorder[name].switch
    return site.access_point[name].switch if kind == "access_point" else site.device[name].switch


def _feeding(site: Site) -> dict[str, str]:
    """Give, for each drop in use, what it feeds: by its own word or by that of the thing."""
    fed = {name: drop.feeds for name, drop in site.drop.items() if drop.feeds is not None}
    for kind, rows in (("device", site.device), ("access_point", site.access_point)):
        for name, row in rows.items():
            if row.drop is not None:
                fed.setdefault(row.drop, f"{kind}:{name}")
    for name, switch in site.switch.items():
        if switch.uplink_drop is not None:
            fed.setdefault(switch.uplink_drop, f"switch:{name}")
    return fed


def _drop_flaws(site: Site) -> Iterator[Flaw]:
    staffed = {switch_closet(site, switch) for switch in site.switch} | {router_closet(site)}
    feeding = _feeding(site)
    for name, drop in site.drop.items():
        place, ref = f"drop:{name}", feeding.get(name)
        if drop.starts not in staffed:
            yield Flaw(
                "drop_without_switch",
                place,
                f"starts in closet {drop.starts}, where no switch stands",
                f"put a switch into {drop.starts}, or start the drop in a closet that has one",
                USER,
            )
        if ref is not None and _is_wireless(site, ref):
            yield Flaw(
                "drop_to_wireless",
                place,
                f"feeds {ref}, whose kind is wireless",
                "let it feed an access point or stay spare, or give the device a wired kind",
                USER,
            )
        if ref is not None:
            yield from _ends_flaws(site, place, drop, ref)
        if drop.category != "fibre":
            yield from _copper_flaws(place, drop)
            rate_bps = drop.rate_bps or (_rate_of(site, ref) if ref is not None else None)
            if rate_bps is not None:
                yield from _rate_flaws(place, drop, rate_bps)
    for ref, wanted in _claims(site):
        for drop_name in wanted:
            if feeding.get(drop_name) != ref:
                yield Flaw(
                    "drop_claimed_twice",
                    f"drop:{drop_name}",
                    f"{ref} names it and it feeds {feeding.get(drop_name)}",
                    "let one drop feed one thing",
                    USER,
                )


def _is_wireless(site: Site, ref: str) -> bool:
    kind, _, name = ref.partition(":")
    return kind == "device" and site.profile[site.device[name].kind].link == "wifi"


def _claims(site: Site) -> Iterator[tuple[str, tuple[str, ...]]]:
    for kind, rows in (("device", site.device), ("access_point", site.access_point)):
        for name, row in rows.items():
            if row.drop is not None:
                yield f"{kind}:{name}", (row.drop,)
    for name, switch in site.switch.items():
        if switch.uplink_drop is not None:
            yield f"switch:{name}", (switch.uplink_drop,)


def _ends_flaws(site: Site, place: str, drop: Drop, ref: str) -> Iterator[Flaw]:
    """Both ends of a drop must be where the plan puts what hangs on it."""
    at, switch = _place_of(site, ref), _switch_of(site, ref)
    if at is not None and at != drop.ends:
        yield Flaw(
            "drop_ends_elsewhere",
            place,
            f"ends in {drop.ends} and {ref}, which it feeds, is in {at}",
            f"end it in {at}, or correct where {ref} is",
            USER,
        )
    if switch is not None:
        stands = router_closet(site) if switch == ROUTER else switch_closet(site, switch)
        if stands != drop.starts:
            yield Flaw(
                "drop_without_switch",
                place,
                f"starts in closet {drop.starts} and {ref} is patched to {switch}, which stands in {stands}",
                f"start it in {stands}, or patch {ref} to a switch in {drop.starts}",
                USER,
            )


def _copper_flaws(place: str, drop: Drop) -> Iterator[Flaw]:
    """Judge what the cabling standards say of any fixed copper: length, conductor, warmth."""
    if drop.length_m > cable.FIXED_LIMIT_M:
        channel_m = drop.length_m + cable.CORDS_LIMIT_M
        yield Flaw(
            "cable_too_long",
            place,
            f"{drop.length_m:g} m of fixed copper, {channel_m:g} m with its cords; at most {cable.FIXED_LIMIT_M:g} m and "
            f"{cable.CHANNEL_LIMIT_M:g} m",
            "use fibre, or a closet that is nearer",
            LENGTH_BASIS,
        )

    gauge = cable.gauge_of(drop.category, drop.gauge_awg)
    if not cable.is_thick_enough(gauge):
        yield Flaw(
            "conductor_too_thin",
            place,
            f"AWG {gauge} has {cable.conductor_ohm(gauge, 100.0):.1f} ohm in 100 m; fixed cable may have "
            f"{cable.CONDUCTOR_LIMIT_OHM_PER_100_M:g}",
            "pull AWG 24 or thicker; thinner ones are for cords",
            "ANSI/TIA-568.2-D 6.7",
        )
    if drop.temperature_c > cable.JACKET_LIMIT_C:
        yield Flaw(
            "cable_too_warm",
            place,
            f"is {drop.temperature_c:g} degC along its way; jackets are usually rated for {cable.JACKET_LIMIT_C:g} degC",
            "take another way, or a cable that is rated for it",
            "ANSI/TIA-568.2-D",
        )


def _rate_flaws(place: str, drop: Drop, rate_bps: float) -> Iterator[Flaw]:
    """Judge the rate over the channel: the drop and the cords that the standard allows with it."""
    reach = cable.reach_m(drop.category, rate_bps)
    channel_m = drop.length_m + cable.CORDS_LIMIT_M
    # A drop that is too long for any rate has been named already.
    if reach is not None and (channel_m <= reach or reach >= cable.CHANNEL_LIMIT_M):
        return
    better = cable.least_category(rate_bps, channel_m)
    name = cable.CATEGORIES[drop.category].name
    carries = f"carries that to {reach:g} m" if reach is not None else "is not specified for that"
    yield Flaw(
        "category_too_low",
        place,
        f"must carry {_mbps(rate_bps)} over {channel_m:g} m with its cords; {name} {carries}",
        f"pull {cable.CATEGORIES[better].name}" if better is not None else "use fibre",
        cable.CATEGORY_BASIS,
    )


def _between_buildings(site: Site) -> Iterator[Hazard]:
    """Copper between buildings joins two earths, and lightning uses it."""
    for name, drop in site.drop.items():
        start, end = building_of(site, drop.starts), building_of(site, drop.ends)
        if drop.category != "fibre" and not drop.surge_protected and None not in (start, end) and start != end:
            yield _copper_hazard(f"drop:{name}", str(start), str(end))
    carried = {drop.feeds for drop in site.drop.values()}
    for name, switch in site.switch.items():
        if switch.uplink_medium == "fibre" or switch.uplink_drop is not None or f"switch:{name}" in carried:
            continue
        above = (
            router_closet(site)
            if switch.uplink == ROUTER
            else switch_closet(site, switch.uplink.removeprefix("switch:"))
        )
        start, end = building_of(site, switch_closet(site, name)), building_of(site, above)
        if None not in (start, end) and start != end:
            yield _copper_hazard(f"switch:{name}", str(start), str(end))


def _copper_hazard(place: str, start: str, end: str) -> Hazard:
    return Hazard(
        "copper_between_buildings",
        place,
        f"copper between {start} and {end}: their earths differ and lightning takes this way",
        "use fibre between buildings; where copper must stay, surge protection and bonding at both ends to local code",
        PRACTICE,
    )


def _outdoors(site: Site) -> Iterator[Hazard]:
    for name, point in site.access_point.items():
        if is_outdoor(site, point.at) and not point.outdoor:
            yield _weather_hazard(f"access_point:{name}", str(point.at))
    for name, device in site.device.items():
        built_for_it = site.profile[device.kind].outdoor if device.outdoor is None else device.outdoor
        if is_outdoor(site, device.at) and not built_for_it:
            yield _weather_hazard(f"device:{name}", str(device.at))


def _weather_hazard(ref: str, at: str) -> Hazard:
    return Hazard(
        "not_for_outdoors",
        ref,
        f"stands in {at}, exposed to weather, and is not built for it: water and mains or power on the cable don't go together",
        "use one that is built for weather, or move it under a roof",
        PRACTICE,
    )
