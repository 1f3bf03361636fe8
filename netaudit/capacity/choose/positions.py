"""
Free positions: where so many access points of each kind can hang so that the air passes.

To closets and prices the rooms of one closet are alike, so what is proposed are counts: so many of this kind in rooms of that
closet. Here rooms are looked for: every set that has these counts is weighed with what the ledger counts at least, and the
ledger itself is asked about those that are left. Counts of which no set is left are forbidden, and with them all others of
which the same is known.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from math import inf
from operator import mul
from typing import TYPE_CHECKING, Final

import numpy as np

from netaudit.capacity import radio
from netaudit.capacity.choose.build import Decision
from netaudit.capacity.choose.loads import Loads, Way, untuned
from netaudit.capacity.choose.weighing import MOST_WEIGHED, ROUNDING, Weighing
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.line import Line, State

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.loads import Numbers
    from netaudit.capacity.choose.model import Members, Proposer
    from netaudit.capacity.choose.weighing import Remaining
    from netaudit.capacity.line import Flaw
    from netaudit.site.model import Site

    Hanging = dict[int, int]  # position -> kind of access point
    Group = tuple[Sequence[int], Sequence[int]]  # some positions, and the kinds that are to hang at as many of them
    Counts = tuple[tuple[int, int, int], ...]  # crowd of alike positions, kind, how many; none of them 0

# Where there are too many sets: draws to begin with, and steps from the best of them to a better neighbour.
_DRAWN: Final = 500
_STEPS: Final = 60
# Hangings that pass, of which the best set is looked for before any is proposed: the first need not be the cheapest.
_LOOKS: Final = 2
# Ways to part one total between crowds that the program is told one by one; more of them slow it down.
_MOST_LINES: Final = 300
# Hangings of one total that the ledger is asked about, to find one that passes.
_TRIED: Final = 20
_GOLDEN: Final = 0.6180339887498949  # its multiples spread most evenly: Weyl 1916
ON_AIR_FLAWS: Final = frozenset(("no_radio", "out_of_reach", "no_such_block", "wide_channel"))


@dataclass(frozen=True, slots=True)
class _Left:
    """Sets that weighing has left, the roomiest first, and which of them have which counts."""

    sets: Numbers
    kinds: Numbers
    rows: Mapping[Counts, Sequence[int]]


def troubles_on_air(site: Site) -> list[Line | Flaw]:
    """List what the ledger says against a plan's air."""
    verdict = radio.judge(site)
    over = [line for line in verdict.lines if line.grown_state is not State.WITHIN]
    return [*over, *(flaw for flaw in verdict.flaws if flaw.kind in ON_AIR_FLAWS)]


class Positions:
    """
    Looks for rooms, and forbids counts for which there are none.

    Args:      crowds: positions that are alike to all but the air; go_on: says when to stop looking.
    """

    def __init__(
        self, site: Site, choices: Mapping[str, Choice], crowds: Sequence[Sequence[str]], go_on: Callable[[], bool]
    ) -> None:
        self._site = site
        self._choices = choices
        self._go_on = go_on
        self._loads = Loads(site, choices)
        number_of = {name: number for number, name in enumerate(self._loads.names)}
        self._crowds = tuple(tuple(number_of[name] for name in crowd) for crowd in crowds)
        self._crowd_of = {position: crowd for crowd, found in enumerate(self._crowds) for position in found}
        self._needed = frozenset(
            number_of[name] for name, choice in choices.items() if all(option.radios for option in choice.options)
        )
        kinds = {radios: kind for kind, radios in enumerate(self._loads.kinds)}
        self._kind_of = {
            name: tuple(kinds[untuned(option.radios)] if option.radios else -1 for option in choice.options)
            for name, choice in choices.items()
        }
        self._weighing = Weighing(self._loads, self._needed, go_on)
        self._left: dict[tuple[tuple[int, int], ...], _Left] = {}
        price = [inf] * len(self._loads.kinds)
        for name, choice in choices.items():
            for option, kind in zip(choice.options, self._kind_of[name], strict=True):
                price[kind] = min(price[kind], option.price) if kind >= 0 else price[kind]
        self._prices = price
        # What has come nearest to passing of all that was drawn, and what it leaves.
        self._nearest: list[tuple[int, int]] = []
        self._least_short = -inf
        self._possible: list[tuple[Mapping[int, int], Mapping[tuple[int, int], int] | None]] | None = None
        self._is_all = False
        self._beyond = 0.0  # where not all, price from which on totals are not known
        self._passing: dict[tuple[tuple[int, int], ...], bool] = {}

    def without_sheets(self, choice: Choice) -> Choice:
        """Take the price of the cheapest way to hang the same off each option: what is left is what feeding it costs more."""
        kinds = self._kind_of[choice.ref.removeprefix("access_point:")]
        options = (
            replace(option, price=option.price - (self._prices[kind] if kind >= 0 else 0.0))
            for option, kind in zip(choice.options, kinds, strict=True)
        )
        return replace(choice, options=tuple(options))

    @property
    def everything(self) -> Members:
        """Name all options that hang something."""
        return self._members(range(len(self._loads.kinds)))

    def bound(self, proposer: Proposer) -> None:
        """Add rows that hold for every set that the ledger passes, and is no dearer than one that is known to."""
        wanted = sum(line.grown for line in radio.judge(self._site).lines if line.kind is LineKind.STATIONS)
        share = self._site.ceilings.stations
        # A line's usable part is never more than the ceiling's share of the limit; the stations are the same for all sets.
        admitted = {
            choice.ref: [share * sum(one.association_limit for one in option.radios) for option in choice.options]
            for choice in self._choices.values()
        }
        proposer.at_least(admitted, wanted)
        if self._possible is not None:
            each = ((crowd, kind) for crowd in range(len(self._crowds)) for kind in range(len(self._prices)))
            members = {key: found for key in each if (found := self._members((key[1],), key[0]))}
            proposer.one_of(members, self._possible, None if self._is_all else self._prices, self._beyond)

    def narrow(self, rest: Callable[[int | None], float], price_of: Callable[[Hanging], float]) -> None:
        """
        Go through totals, the cheapest first, and keep those of which a set is left, until others are dearer than a set
        that is known to carry the plan.

        Args:      rest: what all but access points costs at least, with so many of them, or with any number; price_of: price
                   of the best set with a hanging, infinite when it does not carry the plan.
        """
        self._possible, self._is_all = [], False
        best, weighed, looks = inf, 0, 0
        queue: list[tuple[float, tuple[int, ...]]] = [(0.0, (0,) * len(self._prices))]
        while queue:
            price, totals = queue[0]
            self._beyond = price
            if price + rest(None) > best + ROUNDING:
                break
            if not self._go_on() or weighed > MOST_WEIGHED:
                if best == inf:
                    self._seek(price_of)
                return
            heappop(queue)
            number = sum(totals)
            last = max((kind for kind, count in enumerate(totals) if count), default=0)
            if number < len(self._loads.names):
                for kind in range(last, len(totals)):
                    more = tuple(count + (kind == other) for other, count in enumerate(totals))
                    heappush(queue, (sum(map(mul, more, self._prices)), more))
            if number == 0 or price + rest(number) > best + ROUNDING:
                continue
            counted = {kind: count for kind, count in enumerate(totals) if count}
            found = self._weighing.remaining(counted)
            if found is not None:
                weighed += found.weighed
                if not len(found.sets):
                    continue
            self._possible += self._lines(counted, found)
            if looks < _LOOKS and (hanging := self._first(found, counted)) is not None:
                looks += 1
                best = min(best, price_of(hanging))
        self._is_all = True

    def _seek(self, price_of: Callable[[Hanging], float]) -> None:
        """
        Look for one kind in all rooms that passes, few rooms first, without weighing all sets: something to show when time is up.

        It takes some tenths of a second for each kind and number, so numbers grow by a third.
        """
        for groups in self._uniforms():
            hanging = next(self._sought(groups), None)
            if hanging is not None and price_of(hanging) < inf:
                return

    def _lines(
        self, totals: Mapping[int, int], found: Remaining | None
    ) -> list[tuple[Mapping[int, int], Mapping[tuple[int, int], int] | None]]:
        """Say how many of each kind hang, and in which crowds, as far as that is known."""
        if found is None:
            return [(totals, None)]
        left = self._left[tuple(sorted(totals.items()))] = self._sorted(found)
        if len(left.rows) > _MOST_LINES:
            return [(totals, None)]
        return [(totals, {(crowd, kind): count for crowd, kind, count in counts}) for counts in left.rows]

    def _first(self, found: Remaining | None, totals: Mapping[int, int]) -> Hanging | None:
        """Give a hanging with these totals that passes, if one of the roomiest does."""
        if found is None:
            kinds = [kind for kind, count in totals.items() for _ in range(count)]
            able = [
                position
                for position in range(len(self._loads.names))
                if (self._loads.way_of[position, kinds] >= 0).all()
            ]
            if len(able) < len(kinds) or not self._needed <= set(able):
                return None
            return next(self._sought([(able, kinds)]), None)
        for row in np.argsort(-found.slack, kind="stable")[:_TRIED]:
            hanging = _read(found.sets[row], found.kinds[row])
            if self._passes(hanging):
                return hanging
        return None

    def hangings(self, decision: Decision) -> Iterator[Decision]:
        """Give the same counts in rooms where the air passes, the roomiest first."""
        for hanging in self._hangings(self._counts(self.hanging(decision))):
            yield self.moved(decision, hanging)

    def is_exhaustive(self, decision: Decision) -> bool:
        """Say whether all sets with these counts are looked at."""
        return self._weigh(self._counts(self.hanging(decision))) is not None

    def _hangings(self, counts: Counts) -> Iterator[Hanging]:
        left = self._weigh(counts)
        if left is None:
            yield from self._sought(
                [
                    (self._crowds[crowd], [kind for one, kind, count in counts for _ in range(count) if one == crowd])
                    for crowd in {crowd for crowd, _, _ in counts}
                ]
            )
            return
        for row in left.rows.get(counts, ()):
            hanging = _read(left.sets[row], left.kinds[row])
            if self._passes(hanging):
                yield hanging

    def forbid(self, decision: Decision, proposer: Proposer) -> bool:
        """
        Never again these counts, of which no set passes, nor others that are known to have none.

        Returns:   whether it is proven that none passes.
        """
        counts = self._counts(self.hanging(decision))
        left = self._weigh(counts)
        if left is not None and not left.rows:
            totals = _totals(counts)
            each = [(self._members((kind,)), totals[kind]) for kind in range(len(self._loads.kinds))]
            proposer.forbid({}, {}, each)
        else:
            proposer.forbid({}, {}, self.counted(self.hanging(decision)))
        return left is not None

    def counted(self, hanging: Hanging) -> list[tuple[Members, int]]:
        """Count what hangs, crowd by crowd and kind by kind."""
        each = {(crowd, kind): 0 for crowd in range(len(self._crowds)) for kind in range(len(self._loads.kinds))}
        each |= {(crowd, kind): count for crowd, kind, count in self._counts(hanging)}
        found = [(self._members((kind,), crowd), count) for (crowd, kind), count in each.items()]
        return [(members, count) for members, count in found if members]

    def _members(self, kinds: Collection[int], crowd: int | None = None) -> Members:
        """Name the options that hang one of these kinds: of a crowd, or of all."""
        found: dict[str, tuple[int, ...]] = {}
        for number, positions in enumerate(self._crowds):
            name = self._loads.names[positions[0]]
            numbers = tuple(index for index, kind in enumerate(self._kind_of[name]) if kind in kinds)
            if numbers and crowd in (None, number):
                found[self._choices[name].ref] = numbers
        return found

    def hanging(self, decision: Decision) -> Hanging:
        """Say what a decision hangs where."""
        found = {position: self._picked(decision, name)[1] for position, name in enumerate(self._loads.names)}
        return {position: kind for position, kind in found.items() if kind >= 0}

    def _counts(self, hanging: Hanging) -> Counts:
        return _sorted(Counter((self._crowd_of[position], kind) for position, kind in hanging.items()))

    def _picked(self, decision: Decision, name: str) -> tuple[int, int]:
        """Give the number and the kind of the option that a decision has at a position."""
        choice = self._choices[name]
        index = choice.options.index(decision.options[choice.ref])
        return index, self._kind_of[name][index]

    def moved(self, decision: Decision, hanging: Hanging) -> Decision:
        """Hang what was decided on for a crowd in the rooms that were found for it."""
        options: dict[str, Option] = dict(decision.options)
        for positions in self._crowds:
            names = [self._loads.names[position] for position in positions]
            picked = [self._picked(decision, name) for name in names]
            for position, name in zip(positions, names, strict=True):
                wanted = hanging.get(position, -1)
                found = next(one for one in picked if one[1] == wanted)
                picked.remove(found)
                options[self._choices[name].ref] = self._choices[name].options[found[0]]
        return Decision(options, decision.stacks, decision.router, decision.dealt)

    def _passes(self, hanging: Hanging) -> bool:
        key = tuple(sorted(hanging.items()))
        if key not in self._passing:
            self._passing[key] = not troubles_on_air(self._hung(hanging))
        return self._passing[key]

    def _hung(self, hanging: Hanging) -> Site:
        return self._loads.hung({name: way.option for name, way in self._ways(hanging).items()})

    def _ways(self, hanging: Hanging) -> dict[str, Way]:
        names, way_of = self._loads.names, self._loads.way_of
        return {names[position]: self._loads.ways[way_of[position, kind]] for position, kind in hanging.items()}

    def _weigh(self, counts: Counts) -> _Left | None:
        """Weigh every set that has these totals, wherever they hang; None where they are too many."""
        totals = _totals(counts)
        key = tuple(sorted(totals.items()))
        if key not in self._left:
            found = self._weighing.remaining(totals)
            if found is None:
                return None
            self._left[key] = self._sorted(found)
        return self._left[key]

    def _sorted(self, found: Remaining) -> _Left:
        order = np.argsort(-found.slack, kind="stable")
        sets, kinds = found.sets[order], found.kinds[order]
        crowd_of = np.array([self._crowd_of[position] for position in range(len(self._loads.names))], dtype=np.int64)
        # Which counts a set has: its crowds and kinds in order, alike for all sets that have the same.
        signs = np.sort(crowd_of[sets] * len(self._loads.kinds) + kinds, axis=1)
        unlike, which = np.unique(signs, axis=0, return_inverse=True)
        rows: dict[Counts, Sequence[int]] = {}
        for index, sign in enumerate(unlike):
            counted = Counter(divmod(int(one), len(self._loads.kinds)) for one in sign)
            rows[_sorted(counted)] = np.flatnonzero(which.reshape(-1) == index).tolist()
        return _Left(sets, kinds, rows)

    def nearest(self) -> tuple[dict[str, str], list[Line | Flaw]]:
        """Give what comes nearest to passing: the sheet at each position, and what the ledger says."""
        if not self._nearest:
            for groups in self._uniforms():
                self._roomiest(_drawn(groups, _DRAWN))
        options = {name: way.option for name, way in self._ways(dict(self._nearest)).items()}
        return {name: option.sheets[0] for name, option in options.items()}, troubles_on_air(self._loads.hung(options))

    def _uniforms(self) -> Iterator[list[Group]]:
        """Hang each kind at more and more positions."""
        number = 1
        while number <= len(self._loads.names):
            yield from self._uniform(number)
            number += max(1, number // 3)

    def _uniform(self, number: int) -> Iterator[list[Group]]:
        """Hang one kind at so many positions; where it can't hang and something must, the cheapest that can."""
        if any((self._loads.way_of[position] < 0).all() for position in self._needed):
            return
        for kind in range(len(self._loads.kinds)):
            needed = [
                ([position], [kind if self._loads.way_of[position, kind] >= 0 else self._cheapest(position)])
                for position in sorted(self._needed)
            ]
            able = [one for one in np.flatnonzero(self._loads.way_of[:, kind] >= 0).tolist() if one not in self._needed]
            if 0 <= number - len(needed) <= len(able):
                yield [*needed, (able, [kind] * (number - len(needed)))]

    def _cheapest(self, position: int) -> int:
        return int(np.flatnonzero(self._loads.way_of[position] >= 0)[0])

    def _sought(self, groups: Sequence[Group]) -> Iterator[Hanging]:
        """Look for one set of these where there are too many to weigh: from the best of some drawn, step by step."""
        best, slack = self._roomiest(_drawn(groups, _DRAWN))
        for _ in range(_STEPS):
            if best is None or (slack >= -ROUNDING and self._passes(dict(best))):
                break
            better, more = self._roomiest(list(_neighbours(best, groups)))
            if better is None or more <= slack:
                break
            best, slack = better, more
        if best is not None and slack >= -ROUNDING and self._passes(dict(best)):
            yield dict(best)

    def _roomiest(self, hangings: Sequence[Sequence[tuple[int, int]]]) -> tuple[list[tuple[int, int]] | None, float]:
        """Give the hanging that leaves most at its fullest radio, and how much that is."""
        best, most = None, -np.inf
        for start in range(0, len(hangings), 500):
            some = hangings[start : start + 500]
            sets = np.array([[position for position, _ in one] for one in some], dtype=np.int64)
            kinds = np.array([[kind for _, kind in one] for one in some], dtype=np.int64)
            ways = self._loads.way_of[sets, kinds]
            slack = self._loads.slack(self._loads.figures, sets, np.maximum(ways, 0)[:, None, :])[:, 0]
            slack = np.where((ways >= 0).all(axis=1), slack, -np.inf)
            index = int(np.argmax(slack))
            if best is None or slack[index] > most:
                best, most = list(some[index]), float(slack[index])
        if best is not None and (not self._nearest or most > self._least_short):
            self._nearest, self._least_short = best, most
        return best, most


def crowds_of(choices: Iterable[Choice]) -> list[list[str]]:
    """Put positions together, by name, at which the same can hang, at the same price and from the same closet."""
    found: dict[object, list[str]] = {}
    for choice in choices:
        key = tuple((one.sheets, one.price, one.needs, one.injector, untuned(one.radios)) for one in choice.options)
        found.setdefault(key, []).append(choice.ref.removeprefix("access_point:"))
    return list(found.values())


def _read(positions: Numbers, kinds: Numbers) -> Hanging:
    return dict(zip(positions.tolist(), kinds.tolist(), strict=True))


def _drawn(groups: Sequence[Group], many: int) -> list[list[tuple[int, int]]]:
    """Hang these kinds in rooms of their groups in so many ways, spread by a sequence that repeats late."""
    found = []
    for number in range(1, many + 1):
        hanging: list[tuple[int, int]] = []
        for positions, kinds in groups:
            spread = sorted(positions, key=lambda position: (position + 1) * number * _GOLDEN % 1.0)
            hanging += zip(spread[: len(kinds)], kinds, strict=True)
        found.append(sorted(hanging))
    return found


def _neighbours(hanging: Sequence[tuple[int, int]], groups: Sequence[Group]) -> Iterator[list[tuple[int, int]]]:
    """Move one access point to a free room of its group, or let two change places."""
    taken = dict(hanging)
    for positions, _ in groups:
        here = [one for one in hanging if one[0] in positions]
        for position, kind in here:
            rest = [one for one in hanging if one[0] != position]
            yield from (sorted([*rest, (other, kind)]) for other in positions if other not in taken)
            for other, far in here:
                if far != kind and other > position:
                    yield sorted([*(one for one in rest if one[0] != other), (other, kind), (position, far)])


def _totals(counts: Counts) -> Counter[int]:
    totals: Counter[int] = Counter()
    for _, kind, count in counts:
        totals[kind] += count
    return totals


def _sorted(counted: Mapping[tuple[int, int], int]) -> Counts:
    return tuple(sorted((crowd, kind, count) for (crowd, kind), count in counted.items() if count))
