"""
Power over Ethernet joined with the plan: watts of each supply, powered ports, and what must not be plugged together.

Three reckonings stand side by side on each supply's line: what the switch sets aside by class (this is what refuses the
next device, and what every device may ask for when power comes back after a cut, so it is the demand we judge), what the
devices are stated to draw with the loss of their real cables, and the rule of thumb.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from netaudit.capacity.feeding import (
    ACCESS_POINT_RULE_W,
    CAMERA_RULE_W,
    PASSIVE,
    Reckoning,
    feed_device,
    granted_class,
    need_of,
    reckon,
    taken_w,
)
from netaudit.capacity.line import PRACTICE, USER, Flaw, Hazard, Kind, Line, Step, Verdict
from netaudit.capacity.patching import Fit, Patch, Patching, class_of_need, offers, patch, type_of
from netaudit.capacity.power_classes import CLASSES, TYPES, device_w
from netaudit.site.counted import counted
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from netaudit.site.model import Injector, PortPower, PowerNeed, Site

CLASS_BASIS = "IEEE 802.3 Tables 33-7 and 145-11"
FEED_BASIS = "IEEE 802.3 33.2.6, 145.2.8"
POWER_REASON = f"full supplies run hot and leave nothing for a replacement that draws more ({PRACTICE})"


def judge(site: Site, patching: Patching | None = None) -> Verdict:
    """
    Judge the power of each switch and injector of a checked plan.

    Args:      patching the plan's patch schedule, where it is solved already.
    """
    patching = patching or patch(site)
    lines: list[Line] = []
    for switch, patches in patching.by_switch().items():
        lines += _supply_lines(site, switch, patches, patching)
    drop_to = {drop.feeds: name for name, drop in reversed(site.drop.items()) if drop.feeds is not None}
    for name, injector in site.injector.items():
        lines.append(_injector_line(site, name, injector, drop_to.get(injector.feeds)))
    shorts, hazards, flaws = _at_the_ports(site, patching)
    more_hazards, more_flaws = _at_the_injectors(site)
    return Verdict((*lines, *shorts), (*hazards, *more_hazards), (*flaws, *more_flaws, *_overdrawn(site)))


def _takes_power(patched: Patch) -> bool:
    return patched.plug.power_class is not None or patched.plug.passive


def _supply_lines(site: Site, switch: str, patches: Iterable[Patch], patching: Patching) -> Iterator[Line]:
    groups = patching.groups[switch]
    powered = [group for group in groups if type_of(group.power) is not None]
    fed: list[tuple[Patch, Reckoning]] = []
    wanting = 0
    for patched in patches:
        need = need_of(site, patched.plug.ref) if _takes_power(patched) else None
        if need is None:
            continue
        wanting += patched.count if patched.plug.power_class is not None else 0
        power = groups[patched.group].power
        if power != "none":
            fed.append((patched, reckon(site, patched.plug.ref, need, power, patched.plug.drop).times(patched.count)))
    supply_w = site.switch[switch].supply_w if switch in site.switch else 0.0
    grow = 1.0 + site.site.growth
    place = f"switch:{switch}" if switch != ROUTER else ROUTER
    if fed or supply_w:
        reserved_w = sum(one.reserved_w for _, one in fed)
        yield Line(
            Kind.POWER,
            place,
            "W",
            supply=supply_w,
            ceiling=site.ceilings.power,
            ceiling_reason=POWER_REASON,
            planned=reserved_w,
            grown=reserved_w * grow,
            basis=CLASS_BASIS,
            steps=_power_steps([one for _, one in fed], sum(patched.count for patched, _ in fed)),
            inputs=((f"{place} supply", f"{supply_w:g} W"),),
            note=_allocation_note(reserved_w, sum(one.draw_w + one.loss_w for _, one in fed), supply_w),
        )
    if powered or wanting:
        yield Line(
            Kind.POWERED_PORTS,
            place,
            "ports",
            supply=sum(group.count for group in powered),
            ceiling=site.ceilings.ports,
            ceiling_reason=f"a spare port where something must be added or a port fails ({PRACTICE})",
            planned=wanting,
            grown=wanting * grow,
            basis=USER,
            steps=tuple(
                Step(
                    f"{group.power} ports, up to class {max(TYPES[number].classes)}",
                    group.count,
                    "ports",
                    f"IEEE {TYPES[number].standard}",
                )
                for group in powered
                if (number := type_of(group.power)) is not None
            ),
        )


def _power_steps(each: list[Reckoning], count: int) -> tuple[Step, ...]:
    draw_w = sum(one.draw_w for one in each)
    loss_w = sum(one.loss_w for one in each)
    reserved_w = sum(one.reserved_w for one in each)
    return (
        Step("powered devices", count, "devices", USER),
        Step("set aside by class", reserved_w, "W", CLASS_BASIS),
        Step("stated draw at the devices", draw_w, "W", USER),
        Step("lost in the cables", loss_w, "W", FEED_BASIS),
        Step("stated draw at the ports", draw_w + loss_w, "W", FEED_BASIS),
        Step(
            f"by rule of thumb: {CAMERA_RULE_W:g} W a camera, {ACCESS_POINT_RULE_W:g} W an access point",
            sum(one.thumb_w for one in each),
            "W",
            PRACTICE,
        ),
        Step("asked for at once when power returns after a cut", reserved_w, "W", CLASS_BASIS),
    )


def _allocation_note(reserved_w: float, drawn_w: float, supply_w: float) -> str:
    if drawn_w <= supply_w < reserved_w:
        return "the draw fits and the classes don't: a switch that sets power aside by class refuses the last devices"
    return ""


def _injector_line(site: Site, name: str, injector: Injector, drop: str | None) -> Line:
    need = need_of(site, injector.feeds)
    drop = _own_drop(site, injector.feeds) or drop
    one = reckon(site, injector.feeds, need, injector.power, drop) if need is not None else Reckoning(0, 0, 0, 0)
    return Line(
        Kind.POWER,
        f"injector:{name}",
        "W",
        supply=injector.supply_w,
        ceiling=1.0,
        ceiling_reason="it feeds one device and nothing can be added",
        planned=one.draw_w + one.loss_w,
        grown=one.draw_w + one.loss_w,
        basis=FEED_BASIS,
        steps=_power_steps([one], 1),
        inputs=((f"injector:{name} supply", f"{injector.supply_w:g} W"),),
        note="a supply of its own, with a mains outlet of its own",
    )


def _own_drop(site: Site, ref: str) -> str | None:
    kind, _, name = ref.partition(":")
    return site.access_point[name].drop if kind == "access_point" else site.device[name].drop


def _at_the_ports(site: Site, patching: Patching) -> tuple[list[Line], list[Hazard], list[Flaw]]:
    lines: list[Line] = []
    hazards: list[Hazard] = []
    flaws: list[Flaw] = []
    live_left = {
        switch: sum(group.count for group in groups if group.power == PASSIVE)
        for switch, groups in patching.groups.items()
    }
    for patched in patching.patches:
        plug, group = patched.plug, patching.groups[patched.switch][patched.group]
        if group.power == PASSIVE:
            live_left[patched.switch] -= patched.count
        if patched.fit is Fit.LIVE:
            hazards.append(_live_hazard(plug.ref, _where(patched)))
            continue
        need = need_of(site, plug.ref) if _takes_power(patched) else None
        if need is None:
            continue
        number = type_of(group.power)
        if plug.drop is not None and site.drop[plug.drop].category == "fibre":
            flaws.append(
                Flaw(
                    "power_over_fibre",
                    plug.ref,
                    f"takes its power from the cable and drop {plug.drop} is fibre",
                    "feed it on the spot, or pull copper",
                    "fibre carries no power",
                )
            )
        elif patched.fit is Fit.UNPOWERED and (number is None or plug.passive):
            asked = "always-on 24 V" if plug.passive else f"class {plug.power_class}"
            flaws.append(
                Flaw(
                    "no_power",
                    plug.ref,
                    f"takes {asked} from its port; {_where(patched)} gives {group.power}",
                    "add a switch with such ports or an injector that gives exactly that",
                    USER,
                )
            )
        elif number is not None and plug.power_class is not None:
            short = _short(site, patched, need, group.power)
            if short is not None:
                lines.append(short[0])
                hazards.append(short[1])
    flaws += [
        Flaw(
            "spare_live_port",
            f"switch:{switch}" if switch != ROUTER else ROUTER,
            f"{counted(left, 'port')} always on at 24 V with nothing planned for {'them' if left > 1 else 'it'}",
            "switch the supply of spare ports off, or close them with a labelled plug",
            PRACTICE,
        )
        for switch, left in live_left.items()
        if left > 0
    ]
    return lines, hazards, flaws


def _where(patched: Patch) -> str:
    """Name the ports of a patch for people."""
    place = f"switch:{patched.switch}" if patched.switch != ROUTER else ROUTER
    last = patched.first_port + patched.count - 1
    return f"{place} port {last}" if patched.count == 1 else f"{place} ports {patched.first_port} to {last}"


def _live_hazard(ref: str, where: str) -> Hazard:
    return Hazard(
        "live_port",
        ref,
        f"{where} is always on at 24 V and the device there did not ask for it: it can be destroyed",
        "move it to another port, or switch that port's supply off before anything is plugged in",
        "common practice, no source: passive power is never fed into a device that doesn't ask for exactly that",
    )


def _short(site: Site, patched: Patch, need: PowerNeed, power: PortPower) -> tuple[Line, Hazard] | None:
    """Compare what arrives with what the device takes; None when all is well."""
    ref, asked = patched.plug.ref, patched.plug.power_class or 0
    fed, most_w = feed_device(site, need, power, patched.plug.drop)
    wanted_w = taken_w(need)
    class_fits = offers(power, asked)
    number = type_of(power)
    reasons = []
    if not class_fits:
        reasons.append(
            f"it asks for class {asked} and a {power} port grants class {granted_class(power, asked)} at most"
        )
    if most_w < wanted_w - 1e-9:
        reasons.append(f"it takes {wanted_w:g} W and {most_w:.1f} W can arrive")
    elif fed is not None and number is not None and fed.device_v < TYPES[number].device_min_v - 1e-3:
        reasons.append(f"{fed.device_v:.1f} V arrive and {TYPES[number].device_min_v:g} V are needed")
    if not reasons:
        return None
    line = Line(
        Kind.PORT_POWER,
        ref,
        "W",
        supply=most_w,
        ceiling=1.0,
        ceiling_reason="a port feeds one device and nothing can be added",
        planned=wanted_w if class_fits else max(wanted_w, CLASSES[min(asked, 8)].device_w),
        grown=wanted_w if class_fits else max(wanted_w, CLASSES[min(asked, 8)].device_w),
        basis=FEED_BASIS,
        steps=(
            Step("granted by the port", CLASSES[granted_class(power, asked)].reserve_w, "W", CLASS_BASIS),
            Step("arrives at most", most_w, "W", FEED_BASIS),
            Step("taken by the device", wanted_w, "W", USER),
        ),
    )
    hazard = Hazard(
        "underfed",
        ref,
        "needs more than its port can give: " + "; ".join(reasons),
        "use a stronger port or an injector, or a shorter or thicker cable",
        CLASS_BASIS,
    )
    return line, hazard


def _at_the_injectors(site: Site) -> tuple[list[Hazard], list[Flaw]]:
    hazards: list[Hazard] = []
    flaws: list[Flaw] = []
    fed_by: defaultdict[str, list[str]] = defaultdict(list)
    for name, injector in site.injector.items():
        ref = injector.feeds
        fed_by[ref].append(name)
        need = need_of(site, ref)
        if need is None:
            continue
        asked = class_of_need(need)
        if injector.power == PASSIVE and need.supply != PASSIVE:
            hazards.append(_live_hazard(ref, f"injector:{name}"))
        elif injector.power != PASSIVE and need.supply == PASSIVE:
            flaws.append(
                Flaw(
                    "no_power",
                    ref,
                    f"takes always-on 24 V; injector {name} asks before it gives, so it gives nothing",
                    "use the injector that the device's sheet names",
                    USER,
                )
            )
        elif asked is not None and not offers(injector.power, asked):
            hazards.append(
                Hazard(
                    "underfed",
                    ref,
                    f"needs more than injector {name} can give: it asks for class {asked} and that is {injector.power}",
                    "use a stronger injector or a powered port",
                    CLASS_BASIS,
                )
            )
    for ref, names in fed_by.items():
        kind, _, name = ref.partition(":")
        count = site.device[name].count if kind == "device" else 1
        if count > len(names):
            flaws.append(
                Flaw(
                    "injectors_missing",
                    ref,
                    f"{count} devices and {counted(len(names), 'injector')}: each feeds one",
                    f"add {count - len(names)} more, or a switch with powered ports",
                    USER,
                )
            )
    return hazards, flaws


def _overdrawn(site: Site) -> Iterator[Flaw]:
    """A stated draw above the stated class: one of the two is wrong."""
    needs = [(f"access_point:{name}", point.power) for name, point in site.access_point.items()]
    needs += [
        (f"device:{name}", device.power or site.profile[device.kind].power) for name, device in site.device.items()
    ]
    for ref, need in needs:
        if need.supply != "802.3" or need.power_class is None or need.draw_w is None:
            continue
        most_w = device_w(need.power_class, need.second_class)
        if need.draw_w > most_w:
            yield Flaw(
                "draw_above_class",
                ref,
                f"is stated to draw {need.draw_w:g} W, more than the {most_w:g} W that class {need.power_class} may take",
                "check class and draw on its sheet",
                "IEEE 802.3 Tables 33-18 and 145-26",
            )
