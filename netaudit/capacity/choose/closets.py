"""What may stand in each closet, and which routers: from sheets and from what is at hand, by the ledger's own lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.capacity import links, ports
from netaudit.capacity.choose import rows
from netaudit.capacity.choose.build import AT_HAND
from netaudit.capacity.choose.kinds import Capacity, Wanted, capacities, links_of
from netaudit.capacity.choose.refusal import closet_refusal, router_refusal
from netaudit.capacity.choose.stacks import Demand, Stack, Ware, demand_on, stacks, without_worse
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.line import Line, State
from netaudit.errors import NoSolution
from netaudit.site.model import Router, Switch
from netaudit.site.topology import ROUTER, router_closet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netaudit.capacity.choose.choices import Choice
    from netaudit.capacity.choose.ground import Cabinet, Ground
    from netaudit.site.equipment import Equipment


def stacks_of(
    ground: Ground, equipment: Equipment, choices: Sequence[Choice], *, capped: bool
) -> tuple[bool, dict[str, list[Stack]], dict[str, Demand]]:
    """
    List what may stand in each closet, and the routers.

    Args:      capped: leave out stacks that are dearer than one that surely carries everything.
    Returns:   whether the lists are complete; stacks and demand of each closet, the router's as one more.
    Raises:    NoSolution: nothing on the sheets does for a closet, or no router is fast enough.
    """
    site, complete = ground.site, True
    rows_of = {name: Switch.model_validate(rows.switch_row(sheet)) for name, sheet in equipment.switch.items()}
    sold = capacities(site, rows_of)
    # What a switch draws itself matters to battery supplies and to nothing else.
    draws = bool(site.backup)
    wares = without_worse(
        Ware(name, equipment.switch[name].price, draws * rows_of[name].draw_w, sold[name]) for name in equipment.switch
    )
    found: dict[str, list[Stack]] = {}
    demands: dict[str, Demand] = {}
    for closet, cabinet in ground.cabinets.items():
        kept_rows = {name: Switch.model_validate(ground.raw["switch"][name]) for name in cabinet.kept}
        kept = [
            Ware(AT_HAND + name, 0.0, draws * kept_rows[name].draw_w, capacity)
            for name, capacity in capacities(site, kept_rows).items()
        ]
        own, _ = links_of(ground)[closet]
        link = Wanted("copper", own.rate_bps, None, passive=False)
        demand = demand_on(closet, choices, link)
        # A second switch is one hop more; where that is one too many, one switch must do. Where it depends on closets that may
        # be empty, one switch may have to do for what two would cost less for.
        surely, perhaps = _may_be_deeper(ground, cabinet)
        most = cabinet.most if perhaps else 1
        found[closet], listed = stacks(wares, kept, most, demand, capped=capped and surely == perhaps)
        if cabinet.may_be_empty:
            found[closet].insert(0, Stack((), link))
        complete = complete and listed
        if not found[closet]:
            raise NoSolution(closet_refusal(cabinet, wares, kept, demand))
        demands[closet] = demand
    anything = Wanted("copper", 0.0, None, passive=False)
    demands[ROUTER] = demand_on(ROUTER, choices, anything)
    found[ROUTER] = [Stack((ware,), anything) for ware in _routers(ground, equipment)]
    return complete, found, demands


def _may_be_deeper(ground: Ground, cabinet: Cabinet) -> tuple[bool, bool]:
    """Say whether a second switch is within the ceiling with a switch in every closet, and with those empty that may be."""
    line = next(one for one in links.judge(ground.site).lines if one.kind is LineKind.HOPS)
    cabinets = ground.cabinets
    below = max(one.hops for one in cabinets.values())
    surely = max(cabinet.hops + 1, below) <= line.usable
    # A way up that is in use can miss the switch of the router's own closet, and no other.
    own = cabinets.get(router_closet(ground.site) or "")
    spared = own.hops if own is not None and own.may_be_empty else 0
    fewest = max((one.hops - spared for one in cabinets.values() if not one.may_be_empty), default=0)
    return surely, max(cabinet.hops + 1 - spared, fewest) <= line.usable


def _routers(ground: Ground, equipment: Equipment) -> tuple[Ware, ...]:
    if ground.site.router.keep:
        offered = {AT_HAND + ROUTER: (0.0, Router.model_validate(ground.raw["router"]))}
    else:
        offered = {
            name: (sheet.price, Router.model_validate(rows.router_row(ground.raw["router"], sheet)))
            for name, sheet in equipment.router.items()
        }
    wares: list[Ware] = []
    slow: list[Line] = []
    for name, (price, row) in offered.items():
        site = ground.site.model_copy(update={"router": row})
        usable = next(
            line.usable for line in ports.judge(site).lines if line.kind is LineKind.PORTS and line.place == ROUTER
        )
        routed = next(line for line in links.judge(site).lines if line.kind is LineKind.ROUTED)
        if routed.grown_state is State.WITHIN:
            wares.append(
                Ware(
                    name, price, bool(site.backup) * row.draw_w, Capacity(usable, float("inf"), float("inf"), row.ports)
                )
            )
        else:
            slow.append(routed)
    if not wares:
        raise NoSolution(router_refusal(slow))
    return without_worse(wares)
