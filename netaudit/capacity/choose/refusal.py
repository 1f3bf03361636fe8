"""Why there is no solution, in words with amounts: which need can't be met, by how much, and what would do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from netaudit.capacity.advice import advise, repeats_a_radio
from netaudit.capacity.choose.rows import rate
from netaudit.capacity.choose.stacks import Demand, Stack, stacks
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Flaw, Hazard, Line, State
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.radio import STANDARD

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netaudit.capacity.choose.ground import Cabinet, Ground
    from netaudit.capacity.choose.kinds import Threshold
    from netaudit.capacity.choose.stacks import Ware

# Lines on which no switch, access point, router or recorder has any bearing.
_PLAIN = (LineKind.ADDRESSES, LineKind.DEVICE_COUNT, LineKind.CABLE, LineKind.HOPS)
_MORE_SWITCHES = 8  # closets with more than this many switches are called for by nobody
# What a demand counts, in its order: ports, powered ports, watts, then each set of ports.
_POWERED = 1
_WATTS = 2
_COUNTED = 3
_ROUNDING = 1e-9


def standing(ground: Ground) -> list[str]:
    """Name the lines that are over whatever is bought, with what to do about each."""
    return [
        f"{line.place} {said}"
        for line in gather(ground.site).lines
        if is_standing(line) and (said := advise(line)) is not None
    ]


def is_standing(said: Line | Hazard | Flaw) -> bool:
    """Say whether no equipment has a bearing on a line."""
    return isinstance(said, Line) and (said.kind in _PLAIN or said.place == "link:wan")


def router_refusal(slow: Sequence[Line]) -> str:
    """Say what no router forwards."""
    if not slow:
        return "there is no sheet of a router; write one, or set keep = true in [router]"
    best = max(slow, key=lambda line: line.usable)
    return (
        f"the router must forward {best.grown / 1e6:.4g} Mb/s with growth; of the fastest sheet's "
        f"{best.supply / 1e6:.4g} Mb/s we plan to use {best.usable / 1e6:.4g} Mb/s"
    )


def closet_refusal(
    cabinet: Cabinet,
    wares: Sequence[Ware],
    kept: Sequence[Ware],
    demand: Demand,
) -> str:
    """Say what the switches that fit into a closet lack, and how many would do."""
    if not wares and not kept:
        return f"closet {cabinet.name} needs a switch and there is no sheet of one; write one into the equipment"
    said = []
    nowhere: list[int] = []
    room = max(1, cabinet.most - len(kept))
    for index, asked in enumerate(demand.least):
        if _POWERED in nowhere and _is_power(demand, index):
            continue  # where no port is powered, watts and classes are said with it
        of_one = [_has(ware, demand, index) for ware in wares]
        of_kept = sum(_has(ware, demand, index) for ware in kept)
        best = max(of_one, default=0.0)
        if of_kept + best * room < asked - _ROUNDING:
            if not of_kept + best:
                nowhere.append(index)
            said.append(f"{_needed(demand, index, asked)} ({_offered(best, of_kept, room)})")
    if not said:
        switches = "one switch has" if cabinet.most == 1 else f"{cabinet.most} switches have"
        said.append(f"ports, powered ports, watts and rates together, and no {switches} them all")
    return f"closet {cabinet.name} needs {' and '.join(said)}; {_cure(cabinet, wares, kept, demand, nowhere)}"


def _offered(best: float, of_kept: float, room: int) -> str:
    """Say what can be used of the best switch that is sold, and of those at hand; of a port only whole ones."""
    best_said = f"of the best switch on the sheets {_floor(best)} can be used"
    if not best:
        best_said = "no switch on the sheets has any"
    elif room > 1:
        best_said += f", and {room} fit"
    return f"{best_said}; those at hand have {_floor(of_kept)}" if of_kept else best_said


def _is_power(demand: Demand, index: int) -> bool:
    if index < _COUNTED:
        return index == _WATTS
    return any(one.power_class is not None or one.passive for one in demand.counted[index - _COUNTED])


def _cure(cabinet: Cabinet, wares: Sequence[Ware], kept: Sequence[Ware], demand: Demand, nowhere: Sequence[int]) -> str:
    for count in range(cabinet.most + 1, cabinet.most + _MORE_SWITCHES):
        found, _ = stacks(wares, kept, count, demand)
        if found:
            may = f"{cabinet.most} may stand there"
            return f"{count} switches would do and {may}: raise max_switches, or move cables"
    if not nowhere:
        return "write the sheet of a larger switch, or split the closet"
    sets = [demand.counted[index - _COUNTED] for index in nowhere if index >= _COUNTED]
    instead = ["of an injector"] if _POWERED in nowhere else []
    if any(one.medium == "fibre" for threshold in sets for one in threshold):
        instead.append("of a pair of converters")
    return "write the sheet of a switch that has" + "".join(f", or {sheet}" for sheet in instead)


def _has(ware: Ware, demand: Demand, index: int) -> float:
    one = Stack((ware,), demand.link)
    return one.room(0)[index] if index < _COUNTED else float(one.suiting(0, demand.counted[index - _COUNTED]))


def _needed(demand: Demand, index: int, asked: float) -> str:
    if index == _WATTS:
        return f"{asked:.4g} W set aside by class, with growth"
    count = math.ceil(asked - _ROUNDING)
    ports = "port" if count == 1 else "ports"
    if index >= _COUNTED:
        return f"{count} {_port(demand.counted[index - _COUNTED], ports)}"
    return f"{count} {ports} with growth and its links" if index == 0 else f"{count} powered {ports} with growth"


def _floor(amount: float) -> str:
    return f"{math.floor(amount + _ROUNDING):d}"


def _port(threshold: Threshold, ports: str) -> str:
    each = []
    for one in sorted(threshold, key=lambda one: one.rate_bps):
        feeds = one.power_class is not None  # class 0 is one, too
        power = ", always on at 24 V" if one.passive else f", of class {one.power_class}" if feeds else ""
        faster = f" of {rate(one.rate_bps)} or more" if one.rate_bps else ""
        each.append(f"{one.medium} {ports}{faster}{power}")
    return " or ".join(each)


def whole_refusal(last: Sequence[Line | Hazard | Flaw]) -> str:
    """Say what the last proposal failed at."""
    if not last:
        return "no combination of sheets has the ports, the power and the time on battery that the plan asks for in all its closets"
    said = [
        f"{one.place}: {advise(one) or one.kind}" if isinstance(one, Line) else f"{one.place} {one.text}"
        for one in last
        if not isinstance(one, Line) or (one.grown_state is not State.WITHIN and not repeats_a_radio(one))
    ]
    more = f"; and {len(said) - 2} more" if len(said) > 2 else ""
    return "; ".join(said[:2]) + more


def positions_refusal(names: Mapping[str, str], said: Sequence[Line | Flaw]) -> str:
    """
    Say what the access points lack that come nearest to carrying everything.

    Args:      names: what hangs at each position; said: what the ledger says of it.
    """
    if not names:
        return "and there is none that can hang where one has to"
    each = []
    full = {one.place for one in said if isinstance(one, Line) and one.kind is LineKind.AIRTIME}
    for one in said:
        if isinstance(one, Flaw):
            each.append(f"{one.text}; {one.cure}")
            continue
        if not one.place.startswith("radio:") or (
            one.kind is LineKind.STATIONS and one.basis == STANDARD and one.place in full
        ):
            continue  # a channel says what its busiest radio says, and stations that the time doesn't carry what the time says
        name, _, band = one.place.removeprefix("radio:").rpartition("/")
        needs, usable = (
            (f"{one.grown:.3g} stations", f"{one.usable:.3g}")
            if one.kind is LineKind.STATIONS
            else (f"{100 * one.grown:.1f} % of the time", f"{100 * one.usable:.1f} %")
        )
        each.append(f"{name}: needs {needs} in {band} GHz with growth, and of {names[name]} there {usable} can be used")
    more = f"; and {len(each) - 3} more" if len(each) > 3 else ""
    hung = ", ".join(f"{name} in {position}" for position, name in list(names.items())[:3])
    rest = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"nearest to carrying the air comes {hung}{rest}: " + "; ".join(each[:3]) + more
