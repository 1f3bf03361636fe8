"""The search: propose, build the plan, ask its ledger, cut, propose again, until a ledger has nothing over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity import links, ports
from netaudit.capacity.choose import rows
from netaudit.capacity.choose.air import Air
from netaudit.capacity.choose.batteries import battery_loads, battery_refusal, bound_batteries
from netaudit.capacity.choose.build import AT_HAND, Decision, changed_plan
from netaudit.capacity.choose.choices import Choice, gather_choices
from netaudit.capacity.choose.ground import Ground, prepare
from netaudit.capacity.choose.kinds import Capacity, Wanted, capacities, links_of
from netaudit.capacity.choose.model import Proposer
from netaudit.capacity.choose.refusal import closet_refusal, is_standing, router_refusal, standing, whole_refusal
from netaudit.capacity.choose.stacks import Demand, Stack, Ware, demand_on, stacks, without_worse
from netaudit.capacity.ledger import Ledger, gather
from netaudit.capacity.line import Flaw, Hazard, Line, State
from netaudit.capacity.line import Kind as LineKind
from netaudit.errors import NoSolution
from netaudit.site.load import build_site
from netaudit.site.model import Router, Switch
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netaudit.capacity.choose.rows import Row
    from netaudit.site.equipment import Equipment
    from netaudit.site.model import Site

# Each round is a program and a ledger, some hundredths of a second; a search that is not through by then says so.
MOST_ROUNDS: Final = 120
# What equipment brings about and other equipment cures; every other hazard or flaw is the plan's own and stays named there.
CURED: Final = frozenset(
    (
        "no_port",
        "slow_port",
        "no_power",
        "power_over_fibre",
        "underfed",
        "live_port",
        "spare_live_port",
        "injectors_missing",
        "too_few_disks",
        "stream_without_recorder",
        "no_radio",
        "out_of_reach",
        "no_such_block",
        "wide_channel",
    )
)
_AIR: Final = ("radio:", "channel:")
_AIR_FLAWS: Final = frozenset(("no_radio", "out_of_reach", "no_such_block", "wide_channel"))
Trouble = Line | Hazard | Flaw


@dataclass(frozen=True, slots=True)
class Chosen:
    """
    The cheapest set.

    raw, site, ledger  the plan with it; equipment_price of what was chosen, price of all that the plan buys
    rounds             proposals that it took; proven: nothing cheaper passes the ledger
    """

    decision: Decision
    raw: Row
    site: Site
    ledger: Ledger
    equipment_price: float
    price: float
    rounds: int
    proven: bool


def choose(
    raw: Row, equipment: Equipment, *, file: str = "site.toml", text: str = "", only_bought: bool = False
) -> Chosen:
    """
    Choose the cheapest equipment whose ledger has no line over its ceiling, with the plan's growth.

    Args:      raw: a plan's data, which may leave switches, access points and recorders to be chosen; file and text: where
               errors of the plan find their lines; only_bought: lines on which no equipment has a bearing (addresses, the way
               out) are not held against a set, for what-if questions beyond the plan's own growth.
    Raises:    NoSolution: nothing on the sheets carries the plan; says what is missing. PlanError: the plan is wrong.
    """
    ground = prepare(raw, equipment, file=file, text=text)
    if not only_bought and (reasons := standing(ground)):
        raise NoSolution("; ".join(reasons))
    choices = gather_choices(ground, equipment)
    air = Air(ground, choices)
    complete, found, proposer = _begin(ground, equipment, choices, air, capped=True)
    capped = True
    last: list[Trouble] = []
    for number in range(1, MOST_ROUNDS + 1):
        decision = proposer.propose()
        if decision is None and capped and ground.site.backup:
            # What a battery carries may ask for a dearer stack that draws less: begin again with all of them.
            capped = False
            complete, found, proposer = _begin(ground, equipment, choices, air, capped=False)
            decision = proposer.propose()
        if decision is None:
            raise NoSolution(whole_refusal(last) if last else _nothing(ground, equipment, choices, air))
        decision = _settled(decision)
        changed = changed_plan(ground, equipment, decision)
        site = build_site(changed, file)
        ledger = gather(site)
        last = [one for one in troubles(ledger) if not (only_bought and is_standing(one))]
        spent = next(line for line in ledger.lines if line.kind is LineKind.MONEY)
        if not last and spent.state is State.OVER:
            raise NoSolution(
                f"the cheapest set that carries the plan costs {spent.planned:.2f} {spent.unit} and the budget is "
                f"{spent.supply:.2f}: {spent.planned - spent.supply:.2f} are missing"
            )
        if not last:
            price = sum(option.price for option in decision.options.values())
            price += sum(stack.price for stack in decision.stacks.values())
            price += 0.0 if decision.router is None else equipment.router[decision.router].price
            return Chosen(decision, changed, site, ledger, price, spent.planned, number, complete)
        if capped and any(one.place.startswith("backup:") for one in last):
            capped = False
            complete, found, proposer = _begin(ground, equipment, choices, air, capped=False)
        _cut(proposer, air, decision, last, choices=choices, found=found)
    raise NoSolution(f"not found in {MOST_ROUNDS} proposals; the last one failed at: {whole_refusal(last)}")


def troubles(ledger: Ledger) -> list[Trouble]:
    """List the lines that are over their ceiling with growth, money aside, and what equipment brings about."""
    return [
        *(one for one in ledger.lines if one.kind is not LineKind.MONEY and one.grown_state is not State.WITHIN),
        *(one for one in ledger.hazards if one.kind in CURED or _is_bought(one)),
        *(one for one in ledger.flaws if one.kind in CURED),
    ]


def _is_bought(hazard: Hazard) -> bool:
    return hazard.kind == "not_for_outdoors" and hazard.place.startswith("access_point:")


def _begin(
    ground: Ground, equipment: Equipment, choices: Sequence[Choice], air: Air, *, capped: bool
) -> tuple[bool, dict[str, list[Stack]], Proposer]:
    complete, found, demands = _stacks(ground, equipment, choices, capped=capped)
    proposer = Proposer(choices, found, demands)
    air.bound(proposer)
    bound_batteries(battery_loads(ground, choices, found), proposer)
    return complete, found, proposer


def _settled(decision: Decision) -> Decision:
    """Leave a router that is at hand out of what is bought."""
    if decision.router != AT_HAND + ROUTER:
        return decision
    return Decision(decision.options, decision.stacks, None, decision.dealt)


def _nothing(ground: Ground, equipment: Equipment, choices: Sequence[Choice], air: Air) -> str:
    """Say why there has been nothing to propose: what battery supplies lack, else what the air does."""
    _, found, demands = _stacks(ground, equipment, choices, capped=False)
    loads = tuple(battery_loads(ground, choices, found))
    proposer = Proposer(choices, found, demands)
    air.bound(proposer)
    if said := battery_refusal(ground, loads, proposer):
        return said
    airless = Proposer(choices, found, demands)
    bound_batteries(loads, airless)
    decision = airless.propose()
    if decision is None:
        return whole_refusal(())
    if ground.free:
        # The cheapest set would hang nothing at all, which is no plan.
        return "access points on the sheets, one in each room at most, don't reach all devices or don't carry what is on the air"
    site = build_site(changed_plan(ground, equipment, _settled(decision)))
    on_air = [one for one in troubles(gather(site)) if _is_on_air(one)]
    return f"no access points on the sheets carry what is on the air; the cheapest set fails at {whole_refusal(on_air)}"


def _is_on_air(said: Trouble) -> bool:
    return said.place.startswith(_AIR) or said.kind in _AIR_FLAWS


def _stacks(
    ground: Ground, equipment: Equipment, choices: Sequence[Choice], *, capped: bool
) -> tuple[bool, dict[str, list[Stack]], dict[str, Demand]]:
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
        # A second switch is one hop more; where that is one too many, one switch must do.
        most = cabinet.most if _may_be_deeper(ground, cabinet.hops) else 1
        found[closet], listed = stacks(wares, kept, most, demand, capped=capped)
        complete = complete and listed
        if not found[closet]:
            raise NoSolution(closet_refusal(cabinet, wares, kept, demand))
        demands[closet] = demand
    anything = Wanted("copper", 0.0, None, passive=False)
    demands[ROUTER] = demand_on(ROUTER, choices, anything)
    found[ROUTER] = [Stack((ware,), anything) for ware in _routers(ground, equipment)]
    return complete, found, demands


def _may_be_deeper(ground: Ground, hops: int) -> bool:
    line = next(one for one in links.judge(ground.site).lines if one.kind is LineKind.HOPS)
    below = max(cabinet.hops for cabinet in ground.cabinets.values())
    return max(hops + 1, below) <= line.usable


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


def _cut(
    proposer: Proposer,
    air: Air,
    decision: Decision,
    said: Sequence[Trouble],
    *,
    choices: Sequence[Choice],
    found: dict[str, list[Stack]],
) -> None:
    """Forbid what the ledger has said no to, and what it would say no to for the same reason."""
    on_air = [one for one in said if _is_on_air(one)]
    # A channel is as busy as its busiest radio, which says the same with fewer reasons.
    busy = any(one.place.startswith("radio:") for one in on_air)
    for one in on_air:
        if not (busy and one.place.startswith("channel:")):
            proposer.forbid(air.reason(decision, one), {})
    if len(on_air) == len(said):
        return
    closets = {closet for one in said if one not in on_air for closet in _closets(decision, one)}
    options: dict[str, list[int]] = {}
    for choice in choices:
        picked = decision.options[choice.ref]
        if ROUTER in closets or any(need.closet in closets for option in choice.options for need in option.needs):
            # The same plugs with the same draw are the same to every line of a cable.
            options[choice.ref] = [
                index
                for index, option in enumerate(choice.options)
                if option.needs == picked.needs
                and option.injector == picked.injector
                and option.draw_w >= picked.draw_w
                and (option.row or {}).get("power") == (picked.row or {}).get("power")
            ]
    stands = {
        closet: [found[closet].index(stack)]
        for closet, stack in decision.stacks.items()
        if ROUTER in closets or closet in closets
    }
    stands[ROUTER] = [
        index
        for index, stack in enumerate(found[ROUTER])
        if stack.wares[0].name == (decision.router or AT_HAND + ROUTER)
    ]
    proposer.forbid(options, stands)


def _closets(decision: Decision, said: Trouble) -> set[str]:
    """Name the closets on whose equipment a line or flaw depends; the router stands for all of them."""
    kind, _, name = said.place.partition(":")
    if kind == "closet":
        return {name}
    ref = f"{kind}:{name}"
    if ref in decision.options:
        return {need.closet for need in decision.options[ref].needs} or {ROUTER}
    return {ROUTER}
