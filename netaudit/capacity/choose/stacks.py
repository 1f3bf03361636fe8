"""Stacks: the sets of switches that may stand in one closet, and of routers, without those that can't be in a cheapest plan."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity.choose.kinds import (
    Capacity,
    Kind,
    Need,
    Threshold,
    Wanted,
    asks_one_of,
    count_suiting,
    is_at_least,
    suits,
    thresholds,
)
from netaudit.capacity.patching import place

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from netaudit.capacity.choose.choices import Choice

# A closet's stacks are listed one by one. Far more than any has after the cheaper ones are known to do; a list that is cut
# makes the answer unproven, and it says so.
MOST_STACKS: Final = 20_000


@dataclass(frozen=True, slots=True)
class Ware:
    """A switch or router that can be bought, or is at hand (price 0): what it has, costs and draws."""

    name: str
    price: float
    draw_w: float
    capacity: Capacity


@dataclass(frozen=True, slots=True)
class Stack:
    """Switches of a closet in a row; all but the first hang on the first by copper. None where the closet is empty."""

    wares: tuple[Ware, ...]
    link: Wanted

    @property
    def price(self) -> float:
        """Price of all."""
        return sum(ware.price for ware in self.wares)

    @property
    def draw_w(self) -> float:
        """Own draw of all [W]."""
        return sum(ware.draw_w for ware in self.wares)

    def inner(self, slot: int) -> int:
        """Count the ends of the stack's own links on one of its switches."""
        return len(self.wares) - 1 if slot == 0 else 1

    def room(self, slot: int) -> tuple[float, float, float]:
        """Give what the lines of one switch leave for others: ports, powered ports, watts."""
        capacity = self.wares[slot].capacity
        return capacity.ports - self.inner(slot), capacity.powered, capacity.power_w

    def suiting(self, slot: int, wanted: Threshold) -> int:
        """Count ports that will do, less those that the stack's own links take of them."""
        taken = self.inner(slot) if asks_one_of(self.link, wanted) else 0
        return count_suiting(self.wares[slot].capacity.groups, wanted) - taken


@dataclass(frozen=True, slots=True)
class Demand:
    """
    The least and the most that choices can ask of a closet.

    kinds of plugs; least of ports, powered ports, watts and of each set of ports counted; hardest: the plugs at their most
    demanding, None where no decision is that; link: a link between its own switches; first: links that end on its first one,
             as each of their options has them, for which one it will be hangs on the other end too
    unfed    the least that is asked when nothing has an injector; feeders: for each choice with injectors, what one costs more
             and the most that it spares the closet
    """

    kinds: tuple[Kind, ...]
    least: tuple[float, ...]
    counted: tuple[Threshold, ...]
    hardest: tuple[tuple[Kind, int], ...] | None
    link: Wanted
    first: tuple[tuple[Kind, int], ...]
    unfed: tuple[float, ...]
    feeders: tuple[tuple[float, tuple[float, ...]], ...]


def demand_on(closet: str, choices: Sequence[Choice], link: Wanted) -> Demand:
    """Add up what all choices together ask of a closet at least, in the order ports, powered, watts, thresholds."""
    everything = [
        [[need for need in option.needs if need.closet == closet] for option in one.options] for one in choices
    ]
    asked = [options for options in everything if any(options)]
    kinds = tuple(dict.fromkeys(need.kind for options in asked for needs in options for need in needs))
    counted = thresholds((*kinds, Kind(link, 1.0, 0.0, 0.0)))
    least = [0.0] * (3 + len(counted))
    for options in asked:
        each = [_amounts(needs, counted) for needs in options]
        least = [so_far + min(one) for so_far, one in zip(least, zip(*each, strict=True), strict=True)]
    first = [one for choice in choices if choice.ref.startswith("link:") for one in _whichever(choice, closet).items()]
    things = [one for one, choice in zip(everything, choices, strict=True) if not choice.ref.startswith("link:")]
    return Demand(
        kinds,
        tuple(least),
        counted,
        _hardest([one for one in things if any(one)]),
        link,
        tuple(first),
        *_feeding(closet, choices, counted),
    )


def _whichever(choice: Choice, closet: str) -> dict[Kind, int]:
    """Give the plugs that serve in a closet whichever option is taken: fibre, and copper for converters."""
    found: dict[Kind, int] = {}
    for option in choice.options:
        for need in option.needs:
            if need.closet == closet:
                found[need.kind] = max(need.count, found.get(need.kind, 0))
    return found


def _feeding(
    closet: str, choices: Sequence[Choice], counted: Sequence[Threshold]
) -> tuple[tuple[float, ...], tuple[tuple[float, tuple[float, ...]], ...]]:
    """Give what is asked at least without injectors, and what each choice's injectors cost and spare."""
    unfed = [0.0] * (3 + len(counted))
    feeders: list[tuple[float, tuple[float, ...]]] = []
    for choice in choices:
        plain = [one for one in choice.options if one.injector is None]
        each = [_amounts([need for need in one.needs if need.closet == closet], counted) for one in plain]
        if not any(map(any, each)):
            continue
        unfed = [so_far + min(one) for so_far, one in zip(unfed, zip(*each, strict=True), strict=True)]
        costs = [
            one.price - min((other.price for other in plain if other.radios == one.radios), default=math.inf)
            for one in choice.options
            if one.injector is not None
        ]
        if costs:
            feeders.append((min(costs), tuple(max(one) for one in zip(*each, strict=True))))
    return tuple(unfed), tuple(feeders)


def _least_price(price: float, room: Sequence[float], demand: Demand) -> float:
    """
    Give the least that a stack with so much room costs with the injectors that it can't do without.

    Each figure that the stack lacks must be spared by injectors, the most sparing ones first and the last one in part: so
    the true cost is never less.
    """
    gained = sum(min(0.0, cost) for cost, _ in demand.feeders)
    most = 0.0
    for index, has in enumerate(room):
        lacks, cost = demand.unfed[index] - has, 0.0
        useful = [(max(0.0, each), spared[index]) for each, spared in demand.feeders if spared[index] > 0.0]
        for each, spared in sorted(useful, key=lambda one: one[0] / one[1]):
            if lacks <= 0.0:
                break
            cost += each * min(1.0, lacks / spared)
            lacks -= spared
        most = max(most, cost)
    return price + gained + most


def _amounts(needs: Iterable[Need], counted: Sequence[Threshold]) -> list[float]:
    needs = list(needs)
    return [
        sum(need.count * need.kind.ports for need in needs),
        sum(need.count * need.kind.powered for need in needs),
        sum(need.count * need.kind.power_w for need in needs),
        *(float(sum(need.count for need in needs if asks_one_of(need.kind.wanted, one))) for one in counted),
    ]


def _hardest(asked: Iterable[list[list[Need]]]) -> tuple[tuple[Kind, int], ...] | None:
    """Give plugs that are at least as hard to place as any decision's; None where no decision is the hardest."""
    found: list[tuple[Kind, int]] = []
    for options in asked:
        for one in options:
            if all(_outdoes(one, other) for other in options):
                found += [(need.kind, need.count) for need in one]
                break
        else:
            return None
    return tuple(found)


def _outdoes(one: list[Need], other: list[Need]) -> bool:
    if len(one) < len(other):
        return False
    return all(
        mine.count >= theirs.count
        and is_at_least(mine.kind.wanted, theirs.kind.wanted)
        and mine.kind.ports >= theirs.kind.ports
        and mine.kind.powered >= theirs.kind.powered
        and mine.kind.power_w >= theirs.kind.power_w
        for mine, theirs in zip(one, other, strict=False)
    )


def without_worse(wares: Iterable[Ware]) -> tuple[Ware, ...]:
    """
    Leave out wares that another one replaces: no dearer, drawing no more, and with a port for each of its ports.

    Whatever the ledger passes with the one it passes with the other.
    """
    kept: list[Ware] = []
    for ware in sorted(wares, key=lambda one: (one.price, one.draw_w, -one.capacity.ports)):
        if not any(_replaces(better, ware) for better in kept):
            kept.append(ware)
    return tuple(kept)


def _replaces(better: Ware, worse: Ware) -> bool:
    one, other = better.capacity, worse.capacity
    if better.price > worse.price or better.draw_w > worse.draw_w:
        return False
    if one.ports < other.ports or one.powered < other.powered or one.power_w < other.power_w:
        return False
    if any(group.power.startswith("passive") for group in (*one.groups, *other.groups)):
        return False
    # Each of its ports goes to a port of the other that does for everything that it does for.
    allowed = [
        [
            [
                index
                for index, group in enumerate(one.groups)
                if group.medium == old.medium and group.rate_bps >= old.rate_bps and group.power >= old.power
            ]
        ]
        for old in other.groups
    ]
    counts = [old.count for old in other.groups]
    placed = place(counts, [group.count for group in one.groups], allowed)
    return sum(sum(where.values()) for where in placed) == sum(counts)


class _Together:
    """Adds up what a closet's switches have, each figure of each switch looked up once."""

    def __init__(self, wares: Iterable[Ware], demand: Demand) -> None:
        self._figures = {
            ware.name: (
                ware.capacity.ports,
                ware.capacity.powered,
                ware.capacity.power_w,
                *(float(count_suiting(ware.capacity.groups, one)) for one in demand.counted),
            )
            for ware in wares
        }
        # Each link between two switches of a stack has two ends.
        self._link = (2.0, 0.0, 0.0, *(2.0 * asks_one_of(demand.link, one) for one in demand.counted))

    def room(self, wares: Sequence[Ware]) -> list[float]:
        """Give ports, powered ports, watts and counted ports of a stack, without its own links."""
        links = len(wares) - 1
        columns = zip(*(self._figures[ware.name] for ware in wares), strict=True)
        return [sum(column) - links * link for column, link in zip(columns, self._link, strict=True)]


def surely_carries(stack: Stack, demand: Demand) -> bool:
    """Say whether a stack carries the most that can be asked: things dealt out one by one, the hardest first."""
    if demand.hardest is None:
        return False
    slots = len(stack.wares)
    left = [list(stack.room(slot)) for slot in range(slots)]
    placed: list[list[tuple[Kind, int]]] = [[] for _ in range(slots)]
    for kind, count in demand.first:
        left[0][0] -= kind.ports * count
        placed[0].append((kind, count))
    if left[0][0] < -1e-9:
        return False
    hard = sorted(demand.hardest, key=lambda item: (-item[0].power_w, -item[0].powered, -item[0].wanted.rate_bps))
    for kind, count in hard:
        for _ in range(count):
            asked = (kind.ports, kind.powered, kind.power_w)
            for slot in sorted(range(slots), key=lambda slot: -left[slot][2]):
                if all(has >= want - 1e-9 for has, want in zip(left[slot], asked, strict=True)) and _has_port(
                    stack, slot, [*placed[slot], (kind, 1)]
                ):
                    left[slot] = [has - want for has, want in zip(left[slot], asked, strict=True)]
                    placed[slot].append((kind, 1))
                    break
            else:
                return False
    return True


def _has_port(stack: Stack, slot: int, plugged: list[tuple[Kind, int]]) -> bool:
    groups = stack.wares[slot].capacity.groups
    counts: dict[Wanted, int] = {stack.link: stack.inner(slot)}
    for kind, count in plugged:
        counts[kind.wanted] = counts.get(kind.wanted, 0) + count
    ranked = [[[index for index, group in enumerate(groups) if suits(group, wanted)]] for wanted in counts]
    placed = place(list(counts.values()), [group.count for group in groups], ranked)
    return sum(sum(where.values()) for where in placed) == sum(counts.values())


def stacks(
    wares: Sequence[Ware],
    kept: Sequence[Ware],
    most: int,
    demand: Demand,
    *,
    capped: bool = True,
) -> tuple[list[Stack], bool]:
    """
    List the stacks that may stand in a closet: those that fit the least demand and, with the injectors that they call for,
    are no dearer than one that surely does without any.

    Args:      capped: leave the dearer ones out; not where something else than ports and power may ask for them.

    Returns:   the stacks, and whether the list is complete.
    """
    highest = _sure_price(wares, kept, most, demand) if capped else math.inf
    together = _Together((*kept, *wares), demand)
    found: list[Stack] = []
    looked = 0
    for picked in _multisets(wares, max(0, most - len(kept)), highest):
        looked += 1
        if not kept and not picked:
            continue
        room = together.room((*kept, *picked))
        if any(has < asked - 1e-9 for has, asked in zip(room, demand.least, strict=True)):
            continue
        if _least_price(sum(ware.price for ware in picked), room, demand) > highest + 1e-9:
            continue
        found += [Stack(row, demand.link) for row in _orders(kept, picked)]
        if looked > MOST_STACKS:
            return found, False
    return found, True


def _orders(kept: Sequence[Ware], picked: tuple[Ware, ...]) -> Iterator[tuple[Ware, ...]]:
    """The first one is the kept one, else each of the others in turn."""
    if kept:
        yield (*kept, *picked)
        return
    for head in dict.fromkeys(picked):
        rest = list(picked)
        rest.remove(head)
        yield (head, *rest)


def _sure_price(
    wares: Sequence[Ware],
    kept: Sequence[Ware],
    most: int,
    demand: Demand,
) -> float:
    """Price of the cheapest stack of equal switches that carries the most that can be asked."""
    best = math.inf
    if kept and surely_carries(Stack(tuple(kept), demand.link), demand):
        return 0.0
    for ware in wares:
        for count in range(1, most - len(kept) + 1):
            if ware.price * count >= best:
                break
            if surely_carries(Stack((*kept, *(ware,) * count), demand.link), demand):
                best = ware.price * count
                break
    return best


def _multisets(wares: Sequence[Ware], most: int, highest: float) -> Iterator[tuple[Ware, ...]]:
    """Each combination of at most so many, with repetition, that costs no more than `highest`; few switches first."""
    for size in range(most + 1):
        yield from _of_size(wares, size, highest, 0)


def _of_size(wares: Sequence[Ware], size: int, budget: float, start: int) -> Iterator[tuple[Ware, ...]]:
    if size == 0:
        yield ()
        return
    for index in range(start, len(wares)):
        ware = wares[index]
        if ware.price * size > budget + 1e-9:
            break  # they are sorted by price
        for rest in _of_size(wares, size - 1, budget - ware.price, index):
            yield (ware, *rest)
