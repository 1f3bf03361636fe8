"""
The program that proposes a set: one option for each choice, one stack for each closet, one router, at the least price.

It is a relaxation of the question that the ledger answers. Its rows hold for every plan that the ledger passes: a switch's
ports, powered ports and watts are what the ledger's own lines let us use of it, each thing asks what the ledger says that
it asks, and plugs find ports only where Hall's condition holds. Of the air and of battery supplies other modules add
rows: each bounds what every set carries at least (its own stations and frames, its own watts) by the most that a line can
let it carry (all of the time, the limit's share, the usable energy), so no set that the ledger passes is lost. What those
rows leave out (collisions, what contenders can fill, losses in cables) cuts bring in, and each cut forbids only sets of
which the ledger has said no, or would by the same law.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from netaudit.capacity.choose.build import Decision
from netaudit.capacity.choose.kinds import asks_one_of
from netaudit.capacity.choose.program import Program
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.capacity.choose.choices import Choice
    from netaudit.capacity.choose.kinds import Kind, Threshold
    from netaudit.capacity.choose.stacks import Demand, Stack

_ROUNDING = 1e-7  # sums of watts and ports differ from their mathematical value in the last digits; HiGHS allows 1e-7

Members = Mapping[str, Sequence[int]]  # reference of a choice -> numbers of some of its options


class Proposer:
    """
    Proposes the cheapest set that nothing has been said against yet.

    Args:      crowds: choices whose options are alike to all rows, so that only counts are decided: of so many, so many of each
               option. Of each crowd the first one stands for all, in what is proposed and in rows.
    """

    def __init__(
        self,
        choices: Sequence[Choice],
        stacks: Mapping[str, Sequence[Stack]],
        demands: Mapping[str, Demand],
        crowds: Sequence[Sequence[str]] = (),
    ) -> None:
        self._choices = {choice.ref: choice for choice in choices}
        self._stacks = stacks
        self._program = Program()
        self._crowds = {crowd[0]: tuple(crowd) for crowd in crowds}
        behind = {ref for crowd in crowds for ref in crowd[1:]}
        self._picks: dict[str, list[int]] = {}
        for choice in choices:
            if choice.ref not in behind:
                many = float(self._size(choice.ref))
                variables = [self._program.variable(option.price, many) for option in choice.options]
                self._program.exactly(dict.fromkeys(variables, 1.0), many)
                self._picks[choice.ref] = variables
        self._stands = {
            closet: [self._program.variable(stack.price) for stack in found] for closet, found in stacks.items()
        }
        for variables in self._stands.values():
            self._program.exactly(dict.fromkeys(variables, 1.0), 1.0)
        self._counted: dict[frozenset[int], list[int]] = {}
        self._dealt: dict[str, dict[Kind, list[int]]] = {}
        for closet, found in stacks.items():
            self._closet(closet, found, demands[closet])

    def _closet(self, closet: str, found: Sequence[Stack], demand: Demand) -> None:
        slots = max((1, *(len(stack.wares) for stack in found)))
        # Coefficients of each kind's plugs on each slot, as terms of the variables.
        asked: dict[Kind, dict[int, float]] = {kind: {} for kind in demand.kinds}
        links: dict[Kind, dict[int, float]] = {}
        for ref, variables in self._picks.items():
            for variable, option in zip(variables, self._choices[ref].options, strict=True):
                for need in option.needs:
                    if need.closet == closet:
                        terms = (links if ref.startswith("link:") else asked).setdefault(need.kind, {})
                        terms[variable] = terms.get(variable, 0.0) + need.count
        asked = {kind: terms for kind, terms in asked.items() if terms}
        if slots > 1:
            self._dealt[closet] = {}
            for kind, terms in asked.items():
                placed = [self._program.variable(0.0, float("inf")) for _ in range(slots)]
                self._program.exactly({**dict.fromkeys(placed, 1.0), **{key: -one for key, one in terms.items()}}, 0.0)
                self._dealt[closet][kind] = placed
        for slot in range(slots):
            on_slot = (
                {kind: {placed[slot]: 1.0} for kind, placed in self._dealt[closet].items()} if slots > 1 else asked
            )
            plugged = [*on_slot.items(), *(links.items() if slot == 0 else ())]
            rooms = [stack.room(slot) if slot < len(stack.wares) else (0.0, 0.0, 0.0) for stack in found]
            weights: list[tuple[list[float], list[float]]] = [
                ([kind.ports for kind, _ in plugged], [room[0] for room in rooms]),
                ([kind.powered for kind, _ in plugged], [room[1] for room in rooms]),
                ([kind.power_w for kind, _ in plugged], [room[2] for room in rooms]),
            ]
            for one in demand.counted:
                asks = [float(asks_one_of(kind.wanted, one)) for kind, _ in plugged]
                weights.append((asks, _suiting(found, slot, one)))
            for asks, has in weights:
                summed: dict[int, float] = {}
                for (_, each), weight in zip(plugged, asks, strict=True):
                    if weight:
                        for variable, count in each.items():
                            summed[variable] = summed.get(variable, 0.0) + weight * count
                if summed or min(has) < 0:
                    summed |= {key: -room for key, room in zip(self._stands[closet], has, strict=True) if room}
                    self._program.at_most(summed, _ROUNDING)
        for variable, stack in zip(self._stands[closet], found, strict=True):
            if not stack.wares:
                self._may_be_empty(closet, variable)

    def _may_be_empty(self, closet: str, empty: int) -> None:
        """Without a switch a closet has no way up, and with one something hangs on it; the ports' rows say the rest."""
        own = f"link:{closet}"
        hung: list[int] = []
        for ref, variables in self._picks.items():
            options = self._choices[ref].options
            here = [any(need.closet == closet for need in option.needs) for option in options]
            if ref != own:
                hung += [variable for variable, plugged in zip(variables, here, strict=True) if plugged]
            if ref.startswith("link:") and any(here):
                # What else a way up could end on (the router), or, for the closet's own, that there is none.
                others = [
                    variable
                    for variable, plugged, option in zip(variables, here, options, strict=True)
                    if not plugged and (option.needs or ref == own)
                ]
                self._program.at_most({**dict.fromkeys(others, 1.0), empty: -1.0}, 0.0)
        self._program.at_most({**dict.fromkeys(hung, -1.0), empty: -1.0}, -1.0)

    def at_least(self, amounts: Mapping[str, Sequence[float]], least: float) -> None:
        """Ask for a sum over options: ref -> amount of each of its options."""
        terms = {
            variable: -amount
            for ref, each in amounts.items()
            if ref in self._picks
            for variable, amount in zip(self._picks[ref], each, strict=True)
            if amount
        }
        self._program.at_most(terms, -least + _ROUNDING)

    def at_most(
        self, options: Mapping[str, Sequence[float]], stacks: Mapping[str, Sequence[float]], most: float
    ) -> None:
        """Bound a sum over options and stacks: ref or closet -> amount of each."""
        self._program.at_most(self._summed(options, stacks), most + _ROUNDING)

    def least(self, options: Mapping[str, Sequence[float]], stacks: Mapping[str, Sequence[float]]) -> float | None:
        """Give the least that such a sum can be, whatever it costs; None when there is nothing to propose."""
        terms = self._summed(options, stacks)
        program = self._program.priced(terms)
        values = program.solve()
        return None if values is None else sum(amount * values[variable] for variable, amount in terms.items())

    def _summed(
        self, options: Mapping[str, Sequence[float]], stacks: Mapping[str, Sequence[float]]
    ) -> dict[int, float]:
        terms: dict[int, float] = {}
        for table, amounts in ((self._picks, options), (self._stands, stacks)):
            for key, each in amounts.items():
                if key not in table:
                    continue
                terms |= {variable: one for variable, one in zip(table[key], each, strict=True) if one}
        return terms

    def forbid(
        self,
        options: Mapping[str, Iterable[int]],
        stacks: Mapping[str, Iterable[int]],
        counts: Iterable[tuple[Members, int]] = (),
    ) -> None:
        """
        Never again all of these at once.

        Args:      options: for each choice one of those numbered; stacks: for each closet one of these; counts: just so many of
                   some options of crowds.
        """
        groups = [[self._picks[ref][index] for index in found] for ref, found in options.items()]
        groups += [[self._stands[closet][index] for index in found] for closet, found in stacks.items()]
        groups += [[self._is_count(members, count)] for members, count in counts]
        self._program.at_most({variable: 1.0 for group in groups for variable in group}, len(groups) - 1.0)

    def ask_counts(self, counts: Iterable[tuple[Members, int]]) -> None:
        """Ask for just so many of some options, each."""
        for members, count in counts:
            self._program.exactly(dict.fromkeys(self._variables(members), 1.0), float(count))

    def one_of(
        self,
        members: Mapping[tuple[int, int], Members],
        lines: Sequence[tuple[Mapping[int, int], Mapping[tuple[int, int], int] | None]],
        prices: Sequence[float] | None,
        beyond: float = 0.0,
    ) -> None:
        """
        Ask for one of some lines.

        Args:      members: options of each crowd and kind; lines: how many of each kind, and where that is known of each crowd and
                   kind; prices: of each kind, where anything that costs no less than `beyond` does, too.
        """
        variables = {key: self._variables(each) for key, each in members.items()}
        each = [self._program.variable() for _ in lines]
        others = {} if prices is None else {self._program.variable(): 1.0}
        self._program.exactly({**dict.fromkeys(each, 1.0), **others}, 1.0)
        loose = [*others, *(line for line, (_, counts) in zip(each, lines, strict=True) if counts is None)]
        for kind in {kind for _, kind in members}:
            found = [key for key in members if key[1] == kind]
            terms = {variable: -1.0 for key in found for variable in variables[key]}
            terms |= {line: float(totals.get(kind, 0)) for line, (totals, _) in zip(each, lines, strict=True)}
            self._between(terms, list(others), sum(self._size(ref) for key in found for ref in members[key]))
        for key, picked in variables.items():
            terms = dict.fromkeys(picked, -1.0)
            terms |= {
                line: float(counts.get(key, 0))
                for line, (_, counts) in zip(each, lines, strict=True)
                if counts is not None
            }
            self._between(terms, loose, sum(map(self._size, members[key])))
        if prices is not None:
            spent = dict.fromkeys(others, beyond)
            spent |= {variable: -prices[kind] for (_, kind), found in variables.items() for variable in found}
            self._program.at_most(spent, 0.0)

    def _between(self, terms: Mapping[int, float], loose: Sequence[int], most: int) -> None:
        """Ask for a sum of 0; where one of the loose lines holds it may be less, by so much at most."""
        if not loose:
            self._program.exactly(terms, 0.0)
            return
        self._program.at_most(terms, 0.0)
        self._program.at_most({key: -one for key, one in terms.items()} | dict.fromkeys(loose, -float(most)), 0.0)

    def _size(self, ref: str) -> int:
        return len(self._crowds.get(ref, (ref,)))

    def _variables(self, members: Members) -> list[int]:
        return [self._picks[ref][index] for ref, indices in members.items() for index in indices]

    def _is_count(self, members: Members, count: int) -> int:
        """Give the variable that is 1 where there are just so many of some options, and 0 elsewhere."""
        variables = frozenset(self._variables(members))
        if variables not in self._counted:
            most = sum(map(self._size, members))
            numbers = [self._program.variable() for _ in range(most + 1)]
            self._program.exactly(dict.fromkeys(numbers, 1.0), 1.0)
            counted = {variable: float(number) for number, variable in enumerate(numbers)}
            self._program.exactly({**counted, **dict.fromkeys(variables, -1.0)}, 0.0)
            self._counted[variables] = numbers
        return self._counted[variables][count]

    def propose(self) -> Decision | None:
        """Solve; None when nothing is left to propose. Of a crowd the first ones get the first options."""
        values = self._program.solve()
        if values is None:
            return None
        options = {}
        for ref, variables in self._picks.items():
            picked = [index for index, variable in enumerate(variables) for _ in range(values[variable])]
            for one, index in zip(self._crowds.get(ref, (ref,)), picked, strict=True):
                options[one] = self._choices[one].options[index]
        stands = {
            closet: next(
                stack for variable, stack in zip(variables, self._stacks[closet], strict=True) if values[variable]
            )
            for closet, variables in self._stands.items()
        }
        router = stands.pop(ROUTER).wares[0].name
        dealt = {
            closet: {kind: tuple(values[one] for one in placed) for kind, placed in found.items()}
            for closet, found in self._dealt.items()
            if len(stands[closet].wares) > 1
        }
        return Decision(options, stands, router, dealt)


def _suiting(found: Sequence[Stack], slot: int, wanted: Threshold) -> list[float]:
    """Count the ports of one switch of each stack; a few sheets recur in hundreds of stacks, each is counted once."""
    known: dict[tuple[str, int], float] = {}
    counts = []
    for stack in found:
        if slot >= len(stack.wares):
            counts.append(0.0)
            continue
        key = stack.wares[slot].name, stack.inner(slot)
        if key not in known:
            known[key] = float(stack.suiting(slot, wanted))
        counts.append(known[key])
    return counts
