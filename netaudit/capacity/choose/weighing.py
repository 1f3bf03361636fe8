"""Weighing: which of all sets of free positions the air may pass in, by what the ledger counts at least."""

from __future__ import annotations

from itertools import combinations, islice
from math import comb, factorial, prod
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from netaudit.capacity.choose.loads import Figures, Floats, Loads, Numbers

# Sets of positions that are weighed for one number of access points: all that 20 positions have; some seconds.
_MOST_SETS: Final = 200_000
# The same with what hangs where: some ten seconds.
MOST_WEIGHED: Final = 2_000_000
# Orders of what hangs there, which are listed before the first is weighed: a tenth of a second.
_MOST_ORDERS: Final = 50_000
# Numbers in the largest table of one step: some megabytes.
_MOST_AT_ONCE: Final = 1_000_000
ROUNDING: Final = 1e-9  # sums of loads differ from their mathematical value in the last digits


class Remaining(NamedTuple):
    """What weighing has left: sets, the kinds that hang there, slack; how many were weighed."""

    sets: Numbers
    kinds: Numbers
    slack: Floats
    weighed: int


class Weighing:
    """
    Weighs all sets of so many positions, as long as they are not too many.

    Args:      needed: positions that have an access point in every set; go_on: says when to stop.
    """

    def __init__(self, loads: Loads, needed: frozenset[int], go_on: Callable[[], bool]) -> None:
        self._loads = loads
        self._needed = needed
        self._go_on = go_on
        self._screened: dict[tuple[int, frozenset[int]], Numbers] = {}
        self._of_kinds: dict[frozenset[int], tuple[Figures, Numbers]] = {}

    def remaining(self, totals: Mapping[int, int]) -> Remaining | None:
        """Weigh every set with these totals, wherever they hang; None where they are too many, or it is time to stop."""
        number = sum(totals.values())
        orders = factorial(number) // prod(factorial(count) for count in totals.values())
        sets = self._screen(number, frozenset(totals))
        none = np.zeros((0, number), dtype=np.int64)
        if sets is not None and not len(sets):
            return Remaining(none, none, np.zeros(0), 0)
        if sets is None or orders > _MOST_ORDERS or len(sets) * orders > MOST_WEIGHED:
            return None
        kinds = sorted(totals)
        figures, way_of = self._figures(frozenset(kinds))
        columns = np.array(list(_orders(totals)), dtype=np.int64).reshape(orders, number)
        size = len(figures.position) * 9 + orders * number * number * 3
        step = max(1, _MOST_AT_ONCE // size)
        found: list[tuple[Numbers, Numbers, Floats]] = [(none, none, np.zeros(0))]
        for start in range(0, len(sets), step):
            if not self._go_on():
                return None
            some = sets[start : start + step]
            ways = way_of[some[:, None, :], columns[None]]
            slack = self._loads.slack(figures, some, np.maximum(ways, 0))
            row, order = np.nonzero((ways >= 0).all(axis=2) & (slack >= -ROUNDING))
            found.append((some[row], columns[order], slack[row, order]))
        all_sets, all_kinds = (np.concatenate([each[column] for each in found]) for column in range(2))
        return Remaining(all_sets, all_kinds, np.concatenate([each[2] for each in found]), len(sets) * orders)

    def _figures(self, kinds: frozenset[int]) -> tuple[Figures, Numbers]:
        """Give the figures of some kinds alone, and their ways by position and kind."""
        if kinds not in self._of_kinds:
            everything = range(len(self._loads.kinds))
            self._of_kinds[kinds] = self._loads.least([{kind} & kinds for kind in everything])
        return self._of_kinds[kinds]

    def _sets(self, number: int, among: Collection[int]) -> Iterator[Numbers]:
        """List the sets of so many positions, in bounded tables; those that must have an access point are in all."""
        free = [position for position in sorted(among) if position not in self._needed]
        more = number - len(self._needed)
        if more < 0 or not self._needed <= set(among):
            return
        needed = np.array(sorted(self._needed), dtype=np.int64)
        size = len(self._loads.ways) * 9 + number * number * 3
        picked = combinations(free, more)
        while rows := list(islice(picked, max(1, _MOST_AT_ONCE // size))):
            drawn = np.array(rows, dtype=np.int64).reshape(len(rows), more)
            yield np.sort(np.hstack((np.tile(needed, (len(rows), 1)), drawn)), axis=1)

    def _screen(self, number: int, kinds: frozenset[int]) -> Numbers | None:
        """Give the sets of so many positions that pass with the least figures of some kinds; None where they are too many."""
        key = number, kinds
        if key in self._screened:
            return self._screened[key]
        # A device without any access point is a flaw, and some kinds may find no channel anywhere.
        if number == 0 or not (self._loads.way_of[:, sorted(kinds)] >= 0).any():
            return np.zeros((0, number), dtype=np.int64)
        if comb(len(self._loads.names) - len(self._needed), max(0, number - len(self._needed))) > _MOST_SETS:
            return None
        figures, way_of = self._loads.least([kinds])
        able = np.flatnonzero(way_of[:, 0] >= 0).tolist()
        found = [np.zeros((0, number), dtype=np.int64)]
        wider = [known for (size, more), known in self._screened.items() if size == number and more > kinds]
        among = iter(np.array_split(wider[0], 1 + len(wider[0]) // 4096)) if wider else self._sets(number, able)
        for sets in among:
            if not self._go_on():
                return None
            slack = self._loads.slack(figures, sets, way_of[sets, 0][:, None, :])[:, 0]
            found.append(sets[slack >= -ROUNDING])
        self._screened[key] = np.concatenate(found)
        return self._screened[key]


def _orders(totals: Mapping[int, int]) -> Iterator[tuple[int, ...]]:
    """Give each different order of so many of each."""
    if not any(totals.values()):
        yield ()
    for kind, count in totals.items():
        if count:
            for rest in _orders({**totals, kind: count - 1}):
                yield (kind, *rest)
