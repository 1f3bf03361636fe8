"""The search: propose, build the plan, ask its ledger, cut, propose again, until a ledger has nothing over."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice
from typing import TYPE_CHECKING, Final

from netaudit.capacity.choose.air import Air
from netaudit.capacity.choose.batteries import battery_loads, battery_refusal, bound_batteries
from netaudit.capacity.choose.build import AT_HAND, Decision, changed_plan
from netaudit.capacity.choose.choices import gather_choices
from netaudit.capacity.choose.closets import stacks_of
from netaudit.capacity.choose.ground import Ground, prepare
from netaudit.capacity.choose.model import Proposer
from netaudit.capacity.choose.positions import ON_AIR_FLAWS, Positions, crowds_of
from netaudit.capacity.choose.refusal import is_standing, positions_refusal, standing, whole_refusal
from netaudit.capacity.ledger import Ledger, gather
from netaudit.capacity.line import Flaw, Hazard, Line, State
from netaudit.capacity.line import Kind as LineKind
from netaudit.errors import NoSolution
from netaudit.site.load import build_site
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from netaudit.capacity.choose.choices import Choice
    from netaudit.capacity.choose.model import Members
    from netaudit.capacity.choose.positions import Hanging
    from netaudit.capacity.choose.rows import Row
    from netaudit.capacity.choose.stacks import Stack
    from netaudit.site.equipment import Equipment
    from netaudit.site.model import Site

# Each round is a program and a ledger, some hundredths of a second to some tenths; a search that is not through by then says so.
MOST_ROUNDS: Final = 400
# Sets of rooms that are tried for one proposal whose air passes, when something else than the air is over.
_MOST_ROOMS: Final = 40
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
Trouble = Line | Hazard | Flaw
CENT: Final = 0.005  # prices are sums of cents


@dataclass(frozen=True, slots=True)
class Chosen:
    """
    The cheapest set, or where it could not be proven one that carries the plan.

    raw, site, ledger  the plan with it; equipment_price of what was chosen, price of all that the plan buys
    bound              it is proven that nothing costs less than this in all; the price itself where it is the cheapest
    rounds             proposals that it took
    """

    decision: Decision
    raw: Row
    site: Site
    ledger: Ledger
    equipment_price: float
    price: float
    bound: float
    rounds: int

    @property
    def proven(self) -> bool:
        """Whether nothing cheaper passes the ledger."""
        return self.bound >= self.price - CENT


def always() -> bool:
    """Go on however long it takes."""
    return True


def choose(
    raw: Row,
    equipment: Equipment,
    *,
    file: str = "site.toml",
    text: str = "",
    only_bought: bool = False,
    go_on: Callable[[], bool] = always,
) -> Chosen:
    """
    Choose the cheapest equipment whose ledger has no line over its ceiling, with the plan's growth.

    Args:      raw: a plan's data, which may leave switches, access points and recorders to be chosen; file and text: where
               errors of the plan find their lines; only_bought: lines on which no equipment has a bearing (addresses, the way
               out) are not held against a set, for what-if questions beyond the plan's own growth; go_on: asked between
               steps of some tenths of a second; where it says no, the best that is found by then is given, with its bound.
    Raises:    NoSolution: nothing on the sheets carries the plan, or nothing was found in time; says what is missing.
               PlanError: the plan is wrong.
    """
    ground = prepare(raw, equipment, file=file, text=text)
    if not only_bought and (reasons := standing(ground)):
        raise NoSolution("; ".join(reasons))
    return _Search(ground, equipment, file, go_on, only_bought=only_bought).run()


class _Search:
    """One question, and what has been said against its proposals."""

    def __init__(
        self, ground: Ground, equipment: Equipment, file: str, go_on: Callable[[], bool], *, only_bought: bool
    ) -> None:
        self._ground = ground
        self._equipment = equipment
        self._file = file
        self._go_on = go_on
        self._only_bought = only_bought
        self._choices = gather_choices(ground, equipment)
        hung = {
            choice.ref.removeprefix("access_point:"): choice
            for choice in self._choices
            if choice.ref.startswith("access_point:")
        }
        self._air: Air | Positions = Air(ground, self._choices)
        self._crowds: list[list[str]] = []
        if ground.free and hung:
            names = crowds_of(hung.values())
            self._crowds = [[hung[name].ref for name in crowd] for crowd in names]
            self._air = Positions(ground.site, hung, names, go_on)
        self._known: Chosen | None = None
        # What draws less may have to stand in for what is cheaper where a battery feeds it; then all stacks are listed.
        self._capped = True
        # The least price of a proposal that was given up without a proof that nothing like it passes.
        self._given_up = math.inf
        self._last: list[Trouble] = []
        self._complete = True
        self._complete, self._found, self._proposer = self._begin()

    def _begin(self) -> tuple[bool, dict[str, list[Stack]], Proposer]:
        complete, found, demands = stacks_of(self._ground, self._equipment, self._choices, capped=self._capped)
        if isinstance(self._air, Positions):
            self._air.narrow(cache(partial(self._rest_price, self._air)), self._price_of)
        proposer = Proposer(self._choices, found, demands, self._crowds)
        self._air.bound(proposer)
        bound_batteries(battery_loads(self._ground, self._choices, found), proposer)
        return complete, found, proposer

    def _rest_price(self, air: Positions, number: int | None) -> float:
        """Give what all but access points costs at least, with so many of them hung, or with any number; infinite when none can."""
        free = [
            air.without_sheets(choice) if choice.ref.startswith("access_point:") else choice for choice in self._choices
        ]
        proposer = self._bare(free)
        if number is not None:
            proposer.ask_counts([(air.everything, number)])
        decision = proposer.propose()
        return math.inf if decision is None else self._price(_settled(decision))

    def _price_of(self, hanging: Hanging) -> float:
        """Find the best set with a hanging, keep it if it is the cheapest yet, and give its price; infinite when there is none."""
        if not isinstance(self._air, Positions):
            return math.inf
        proposer = self._bare(self._choices)
        proposer.ask_counts(self._air.counted(hanging))
        decision = proposer.propose()
        if decision is None:
            return math.inf
        found = self._judged(self._air.moved(_settled(decision), hanging), 0, 0.0)
        if found is None:
            return math.inf
        if self._known is None or found.equipment_price < self._known.equipment_price:
            self._known = found
        return found.equipment_price

    def _uncap(self) -> None:
        self._capped = False
        self._complete, self._found, self._proposer = self._begin()

    def run(self) -> Chosen:
        """
        Choose.

        Raises:    NoSolution: nothing carries the plan, or nothing that does is within the budget.
        """
        chosen = self._find()
        spent = next(line for line in chosen.ledger.lines if line.kind is LineKind.MONEY)
        if spent.state is not State.OVER:
            return chosen
        if chosen.proven:
            said = f"the cheapest set that carries the plan costs {spent.planned:.2f}"
        else:
            said = f"no set costs less than {chosen.bound:.2f}, the best that was found in the time given costs {spent.planned:.2f}"
        raise NoSolution(
            f"{said} {spent.unit} and the budget is {spent.supply:.2f}: {spent.planned - spent.supply:.2f} are missing"
        )

    def _find(self) -> Chosen:
        """Propose and judge until a set passes, or time is up."""
        least = 0.0
        for number in range(1, MOST_ROUNDS + 1):
            if number > 1 and not self._go_on():  # one proposal at least: its price is a bound
                break
            decision = self._proposer.propose()
            if decision is None and self._capped and self._ground.site.backup:
                # What a battery carries may ask for a dearer stack that draws less: begin again with all of them.
                self._uncap()
                decision = self._proposer.propose()
            if decision is None:
                if self._given_up < math.inf:
                    break
                raise NoSolution(self._refusal())
            decision = _settled(decision)
            least = min(self._price(decision), self._given_up)
            if self._known is not None and least >= self._known.equipment_price - CENT:
                return self._rest(self._known.equipment_price, number)
            found = self._try(decision, number, least)
            if found is not None:
                return found
        return self._rest(least, number)

    def _try(self, decision: Decision, number: int, least: float) -> Chosen | None:
        """Judge a proposal; cut it off, and all that is known to fail like it, where it does not pass."""
        air = self._air
        if isinstance(air, Air):
            found = self._judged(decision, number, least)
            if found is None:
                self._refuse(decision)
            return found
        tried = 0
        for moved in islice(air.hangings(decision), _MOST_ROOMS):
            tried += 1
            found = self._judged(moved, number, least)
            if found is not None:
                return found
        if not tried:
            proven = air.forbid(decision, self._proposer)
        else:
            proven = tried < _MOST_ROOMS and air.is_exhaustive(decision)
            self._refuse(decision)
        if not proven:
            self._given_up = min(self._given_up, self._price(decision))
        return None

    def _refuse(self, decision: Decision) -> None:
        """Cut off what the ledger has just said no to."""
        if self._capped and any(one.place.startswith("backup:") for one in self._last):
            self._uncap()
        self._cut(decision, self._last)

    def _judged(self, decision: Decision, number: int, least: float) -> Chosen | None:
        """Build the plan with a set and ask its ledger."""
        changed = changed_plan(self._ground, self._equipment, decision)
        site = build_site(changed, self._file)
        ledger = gather(site)
        self._last = [one for one in troubles(ledger) if not (self._only_bought and is_standing(one))]
        if self._last:
            return None
        spent = next(line for line in ledger.lines if line.kind is LineKind.MONEY)
        price = self._price(decision)
        bound = spent.planned - (price - least) if self._complete else 0.0
        return Chosen(decision, changed, site, ledger, price, spent.planned, bound, number)

    def _price(self, decision: Decision) -> float:
        price = sum(option.price for option in decision.options.values())
        price += sum(stack.price for stack in decision.stacks.values())
        return price + (0.0 if decision.router is None else self._equipment.router[decision.router].price)

    def _rest(self, least: float, rounds: int) -> Chosen:
        """
        Give the cheapest set that is known, when time is up.

        Raises:    NoSolution: none is known.
        """
        if self._known is not None:
            known = self._known
            bound = known.price - (known.equipment_price - least) if self._complete else 0.0
            return replace(known, bound=bound, rounds=rounds)
        said = ""
        if isinstance(self._air, Positions):
            said = "; " + positions_refusal(*self._air.nearest())
        elif self._last:
            said = f"; the last set tried failed at: {whole_refusal(self._last)}"
        raise NoSolution(f"nothing was found in the time given; no set costs less than {least:.2f}{said}")

    def _bare(self, choices: Sequence[Choice]) -> Proposer:
        """Give a proposer that knows nothing of the air."""
        _, found, demands = stacks_of(self._ground, self._equipment, choices, capped=self._capped)
        proposer = Proposer(choices, found, demands, self._crowds)
        bound_batteries(battery_loads(self._ground, choices, found), proposer)
        return proposer

    def _refusal(self) -> str:
        """Say why there is nothing left to propose: what battery supplies lack, else what the air does, else what failed last."""
        if self._last:
            return whole_refusal(self._last)
        _, found, demands = stacks_of(self._ground, self._equipment, self._choices, capped=False)
        loads = tuple(battery_loads(self._ground, self._choices, found))
        proposer = Proposer(self._choices, found, demands, self._crowds)
        self._air.bound(proposer)
        if said := battery_refusal(self._ground, loads, proposer):
            return said
        airless = Proposer(self._choices, found, demands, self._crowds)
        bound_batteries(loads, airless)
        decision = airless.propose()
        if decision is None:
            return whole_refusal(())
        if isinstance(self._air, Positions):
            nearest = positions_refusal(*self._air.nearest())
            return f"no access points on the sheets carry what is on the air, wherever they hang; {nearest}"
        site = build_site(changed_plan(self._ground, self._equipment, _settled(decision)))
        on_air = [one for one in troubles(gather(site)) if _is_on_air(one)]
        return f"no access points on the sheets carry what is on the air; the cheapest set fails at {whole_refusal(on_air)}"

    def _cut(self, decision: Decision, said: Sequence[Trouble]) -> None:
        """Forbid what the ledger has said no to, and what it would say no to for the same reason."""
        on_air = [one for one in said if _is_on_air(one)]
        counts: list[tuple[Members, int]] = []
        if isinstance(self._air, Positions):
            # No set of rooms with these counts has passed, whether for the air or for something else.
            on_air, counts = [], self._air.counted(self._air.hanging(decision))
        else:
            # A channel is as busy as its busiest radio, which says the same with fewer reasons.
            busy = any(one.place.startswith("radio:") for one in on_air)
            for one in on_air:
                if not (busy and one.place.startswith("channel:")):
                    self._proposer.forbid(self._air.reason(decision, one), {})
        if len(on_air) == len(said):
            return
        closets = {closet for one in said if one not in on_air for closet in _closets(decision, one)}
        options: dict[str, list[int]] = {}
        for choice in self._choices:
            if choice.ref in {ref for crowd in self._crowds for ref in crowd}:
                continue
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
            closet: [self._found[closet].index(stack)]
            for closet, stack in decision.stacks.items()
            if ROUTER in closets or closet in closets
        }
        stands[ROUTER] = [
            index
            for index, stack in enumerate(self._found[ROUTER])
            if stack.wares[0].name == (decision.router or AT_HAND + ROUTER)
        ]
        self._proposer.forbid(options, stands, counts)


def troubles(ledger: Ledger) -> list[Trouble]:
    """List the lines that are over their ceiling with growth, money aside, and what equipment brings about."""
    return [
        *(one for one in ledger.lines if one.kind is not LineKind.MONEY and one.grown_state is not State.WITHIN),
        *(one for one in ledger.hazards if one.kind in CURED or _is_bought(one)),
        *(one for one in ledger.flaws if one.kind in CURED),
    ]


def _is_bought(hazard: Hazard) -> bool:
    return hazard.kind == "not_for_outdoors" and hazard.place.startswith("access_point:")


def _settled(decision: Decision) -> Decision:
    """Leave a router that is at hand out of what is bought."""
    if decision.router != AT_HAND + ROUTER:
        return decision
    return Decision(decision.options, decision.stacks, None, decision.dealt)


def _is_on_air(said: Trouble) -> bool:
    return said.place.startswith(_AIR) or said.kind in ON_AIR_FLAWS


def _closets(decision: Decision, said: Trouble) -> set[str]:
    """Name the closets on whose equipment a line or flaw depends; the router stands for all of them."""
    kind, _, name = said.place.partition(":")
    if kind == "closet":
        return {name}
    ref = f"{kind}:{name}"
    if ref in decision.options:
        return {need.closet for need in decision.options[ref].needs} or {ROUTER}
    return {ROUTER}
