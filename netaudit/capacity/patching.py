"""
The patch schedule: which thing goes to which port, solved so that what takes power lands on a port that gives it.

Each closet is one assignment problem: plugs (alike ones counted together) on one side, groups of ports on the other. An
augmenting path moves what is already placed when that makes room, so a thing stays out only if no arrangement has room
for it. Plugs that are harder to please go first; each takes the port that wastes least.
"""

from __future__ import annotations

from collections import defaultdict, deque
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

from netaudit.capacity.power_classes import CLASSES, TYPES, class_for_two, class_of_draw
from netaudit.errors import OutOfRange
from netaudit.site.topology import ROUTER, closet_of, router_closet, switch_closet

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from netaudit.site.model import PortGroup, PowerNeed, Site

UPLINK = "uplink"

# A class beyond the table: a stated draw that no class allows.
BEYOND_CLASSES = 9


class Fit(IntEnum):
    """How well a port suits what is plugged into it."""

    GOOD = 0
    SLOW = 1
    UNPOWERED = 2
    LIVE = 3  # an always-on port that faces something that did not ask for it


@dataclass(frozen=True, slots=True)
class Plug:
    """
    `count` alike things that each need one port.

    ref as in the plan, "uplink" for a switch's own end; switch it is pinned to, if the plan says so; power_class of IEEE
    802.3 that the port must offer (None: takes no power from it); passive: needs an always-on 24 V port; family: what the
    plan says of it besides its name, so that two halves of a group are placed side by side like the whole.
    """

    ref: str
    count: int
    closet: str | None
    switch: str | None
    rate_bps: float
    medium: str
    power_class: int | None = None
    passive: bool = False
    drop: str | None = None
    family: str = ""


_Choice = tuple[Plug, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Patch:
    """`count` of a plug on consecutive ports of one switch, from `first_port` on (ports are numbered from 1)."""

    plug: Plug
    switch: str
    group: int
    first_port: int
    count: int
    fit: Fit


@dataclass(frozen=True, slots=True)
class Patching:
    """
    The schedule.

    unplaced: what found no port (plug, how many, the switch it was meant for); groups: the groups of ports of each switch,
    the router's too.
    """

    patches: tuple[Patch, ...]
    unplaced: tuple[tuple[Plug, int, str], ...]
    groups: Mapping[str, tuple[PortGroup, ...]]

    def by_switch(self) -> dict[str, list[Patch]]:
        """Give the schedule switch by switch, empty ones included."""
        found: dict[str, list[Patch]] = {name: [] for name in self.groups}
        for patch in self.patches:
            found[patch.switch].append(patch)
        return found


def class_of_need(need: PowerNeed) -> int | None:
    """
    Class that a port must offer: the stated one (of two signatures the least single one that serves both), else that of
    the stated draw, else 0; None if it takes no 802.3 power.

    Source:    IEEE 802.3 Tables 33-18 and 145-26.
    """
    if need.supply != "802.3":
        return None
    if need.power_class is not None and need.second_class is not None:
        return class_for_two(need.power_class, need.second_class)
    if need.power_class is not None:
        return need.power_class
    if need.draw_w is None:
        return 0
    try:
        return class_of_draw(need.draw_w)
    except OutOfRange:
        return BEYOND_CLASSES


_TYPE_NUMBERS = {f"type {number}": number for number in TYPES}


def type_of(power: str) -> int | None:
    """Give the number of a port's IEEE 802.3 type; None for an unpowered or an always-on port."""
    return _TYPE_NUMBERS.get(power)


def offers(power: str, power_class: int) -> bool:
    """Say whether a port of this kind grants a class in full."""
    number = type_of(power)
    if number is None or power_class not in CLASSES:
        return False
    return CLASSES[power_class].least_type <= number


def plugs(site: Site) -> Iterator[Plug]:
    """List everything that needs a port: wired devices, access points, recorders, and both ends of each uplink."""
    ends = _Ends(site)
    yield from _uplinks(site, ends)
    for name, recorder in site.recorder.items():
        yield from ends.of(
            f"recorder:{name}", at=recorder.closet, switch=recorder.switch, rate_bps=recorder.rate_bps, need=None
        )
    for name, point in site.access_point.items():
        yield from ends.of(
            f"access_point:{name}",
            at=point.at,
            switch=point.switch,
            rate_bps=point.rate_bps,
            need=point.power,
            own=point.drop,
        )
    for name, device in site.device.items():
        profile = site.profile[device.kind]
        if profile.link != "wired":
            continue
        # A camera's stated rate is its stream; its port is what its profile says.
        rate_bps = profile.port_rate_bps if profile.recorded or device.rate_bps is None else device.rate_bps
        need = device.power or profile.power
        yield from ends.of(
            f"device:{name}",
            device.count,
            at=device.at,
            switch=device.switch,
            rate_bps=rate_bps,
            need=need,
            own=device.drop,
            family=f"{device.kind} {device.segment} {need.draw_w} {device.rate_bps} {device.recorder}",
        )


def _uplinks(site: Site, ends: _Ends) -> Iterator[Plug]:
    """Give both ends of each switch's link upwards."""
    for name, switch in site.switch.items():
        above = switch.uplink.removeprefix("switch:")
        ref = f"switch:{name}"
        carried_by = switch.uplink_drop or next(iter(ends.drops[ref]), None)
        # Where the plan draws the cable of a link, the cable says what it is.
        medium = _medium(site, carried_by) if carried_by is not None else switch.uplink_medium
        closet = router_closet(site) if above == ROUTER else switch_closet(site, above)
        yield Plug(UPLINK, 1, switch_closet(site, name), name, switch.uplink_rate_bps, medium, drop=carried_by)
        yield Plug(ref, 1, closet, above, switch.uplink_rate_bps, medium, drop=carried_by)


def _medium(site: Site, drop: str) -> str:
    return "fibre" if site.drop[drop].category == "fibre" else "copper"


class _Ends:
    """Where the cables of things end: in the closets of their drops, else in the nearest one."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.drops: defaultdict[str, list[str]] = defaultdict(list)
        for name, drop in site.drop.items():
            if drop.feeds is not None:
                self.drops[drop.feeds].append(name)
        self._injected = {injector.feeds for injector in site.injector.values()}
        # Many devices share a place; following one to its closet may look through all closets.
        self._closets: dict[str | None, str | None] = {}

    def of(
        self,
        ref: str,
        count: int = 1,
        *,
        at: str | None,
        switch: str | None,
        rate_bps: float,
        need: PowerNeed | None,
        own: str | None = None,
        family: str = "",
    ) -> Iterator[Plug]:
        """Give each of a thing's drops one of it, and the rest a port in the nearest closet."""
        named = dict.fromkeys([*self.drops[ref], *([own] if own is not None else [])])
        fed = need is not None and ref not in self._injected
        power_class = class_of_need(need) if fed and need is not None else None
        passive = fed and need is not None and need.supply == "passive 24 V"
        for name in list(named)[:count]:
            starts, medium = self._site.drop[name].starts, _medium(self._site, name)
            yield Plug(ref, 1, starts, switch, rate_bps, medium, power_class, passive, name, family)
        if len(named) < count:
            if at not in self._closets:
                self._closets[at] = closet_of(self._site, at)
            closet = self._closets[at]
            yield Plug(ref, count - len(named), closet, switch, rate_bps, "copper", power_class, passive, None, family)


def patch(site: Site) -> Patching:
    """
    Solve the patch schedule of a checked plan. Nearly linear in devices: alike plugs of a closet are placed together.

    A plug whose switch the plan names stays on it; another may go to any switch of its closet, to the router where the
    closet has no other, and where the closet has neither, to the plan's first switch.
    """
    groups: dict[str, tuple[PortGroup, ...]] = {name: switch.ports for name, switch in site.switch.items()}
    groups[ROUTER] = site.router.ports
    in_closet: defaultdict[str | None, list[str]] = defaultdict(list)
    for name in site.switch:
        in_closet[switch_closet(site, name)].append(name)
    if not in_closet[router_closet(site)]:
        in_closet[router_closet(site)].append(ROUTER)
    anywhere = next(iter(site.switch), ROUTER)

    pools: defaultdict[tuple[str, ...], list[Plug]] = defaultdict(list)
    for plug in plugs(site):
        where = (plug.switch,) if plug.switch is not None else tuple(in_closet[plug.closet] or (anywhere,))
        pools[where].append(plug)
    return _place_all(_merged(pools), groups)


def _merged(pools: Mapping[tuple[str, ...], list[Plug]]) -> Iterator[tuple[tuple[str, ...], list[_Choice]]]:
    """Join pools that share a switch into one problem: its switches, and each plug with those it may go to."""
    root: dict[str, str] = {}

    def find(name: str) -> str:
        while root.setdefault(name, name) != name:
            name = root[name]
        return name

    for where in pools:
        for name in where[1:]:
            root[find(name)] = find(where[0])
    choices: defaultdict[str, list[_Choice]] = defaultdict(list)
    switches: defaultdict[str, dict[str, None]] = defaultdict(dict)
    for where, found in pools.items():
        key = find(where[0])
        switches[key].update(dict.fromkeys(where))
        choices[key] += [(plug, where) for plug in found]
    for key, found_choices in choices.items():
        yield tuple(switches[key]), found_choices


def _place_all(
    problems: Iterable[tuple[tuple[str, ...], list[_Choice]]], groups: Mapping[str, tuple[PortGroup, ...]]
) -> Patching:
    patches: list[Patch] = []
    unplaced: list[tuple[Plug, int, str]] = []
    for switches, choices in problems:
        ports = [(switch, index) for switch in switches for index in range(len(groups[switch]))]
        alike: defaultdict[tuple[tuple[float, ...], str, tuple[str, ...]], list[Plug]] = defaultdict(list)
        for plug, where in choices:
            alike[_hardness(plug), plug.medium, where].append(plug)
        ordered = sorted(alike.items(), key=lambda item: item[0][0])
        ranked = [_ranked(members[0], where, ports, groups) for (_, _, where), members in ordered]
        taken = place(
            [sum(plug.count for plug in members) for _, members in ordered],
            [groups[switch][index].count for switch, index in ports],
            ranked,
        )
        next_port = [1 + sum(group.count for group in groups[switch][:index]) for switch, index in ports]
        for kind, ((_, _, where), members) in enumerate(ordered):
            fits = {port: Fit(fit) for fit, suiting in enumerate(ranked[kind]) for port in suiting}
            shares = deque(sorted(taken[kind].items(), key=lambda share: (fits[share[0]], share[0])))
            for plug in sorted(members, key=lambda plug: plug.family):
                left = plug.count
                while left and shares:
                    port, free = shares.popleft()
                    used = min(left, free)
                    switch, index = ports[port]
                    patches.append(Patch(plug, switch, index, next_port[port], used, fits[port]))
                    next_port[port] += used
                    left -= used
                    if used < free:
                        shares.appendleft((port, free - used))
                if left:
                    unplaced.append((plug, left, where[0]))
    return Patching(tuple(patches), tuple(unplaced), groups)


def _hardness(plug: Plug) -> tuple[float, ...]:
    """Order plugs: links first, then the always-on ones, then by class and rate, highest first."""
    infrastructure = plug.ref == UPLINK or plug.ref.startswith("switch:")
    return (
        not infrastructure,
        not plug.passive,
        -1 - plug.power_class if plug.power_class is not None else 0,
        -plug.rate_bps,
    )


def _ranked(
    plug: Plug,
    where: tuple[str, ...],
    ports: Sequence[tuple[str, int]],
    groups: Mapping[str, tuple[PortGroup, ...]],
) -> list[list[int]]:
    """Give, for each Fit, the ports that suit a plug so, the least wasteful first."""
    ranked: list[list[tuple[tuple[float, ...], int]]] = [[] for _ in Fit]
    for port, (switch, index) in enumerate(ports):
        group = groups[switch][index]
        if switch not in where or group.medium != plug.medium:
            continue
        live = group.power == "passive 24 V"
        powered = live if plug.passive else plug.power_class is None or offers(group.power, plug.power_class)
        if live and not plug.passive:
            fit = Fit.LIVE
        elif not powered:
            fit = Fit.UNPOWERED
        elif group.rate_bps < plug.rate_bps:
            fit = Fit.SLOW
        else:
            fit = Fit.GOOD
        number = type_of(group.power) or 0
        # What can't be fed in full is better on the strongest port; what needs nothing, on one that gives nothing.
        power_rank = -number if fit is Fit.UNPOWERED else number
        rate_rank = -group.rate_bps if fit is Fit.SLOW else group.rate_bps
        ranked[fit].append(((power_rank, rate_rank, port), port))
    return [[port for _, port in sorted(choices)] for choices in ranked]


def place(
    demands: Sequence[int], room: Sequence[int], ranked: Sequence[Sequence[Sequence[int]]]
) -> list[dict[int, int]]:
    """
    Place counted demands into counted places so that as many as can be are placed.

    Args:      demands: how many of each kind, most important first; room of each place; ranked[kind]: lists of places, better
               lists first: a later list is used only when no arrangement within the earlier ones has room.
    Returns:   for each kind, place -> how many.
    Source:    augmenting paths (Kuhn 1955; Ford and Fulkerson 1956) with counts.
    """
    free = list(room)
    taken: list[dict[int, int]] = [{} for _ in demands]
    allowed: list[list[int]] = [[] for _ in demands]
    left = list(demands)
    for tier in range(max((len(lists) for lists in ranked), default=0)):
        for kind, lists in enumerate(ranked):
            if left[kind] and tier < len(lists):
                allowed[kind].extend(lists[tier])
                left[kind] -= _augment(kind, left[kind], free, taken, allowed)
    return taken


def _augment(
    kind: int, wanted: int, free: list[int], taken: list[dict[int, int]], allowed: Sequence[Sequence[int]]
) -> int:
    """Place up to `wanted` of one kind, moving others along the shortest path that ends in free room."""
    placed = 0
    while placed < wanted:
        # Breadth first over places: came[place] = (kind that would move in, place it comes from or None for the start).
        came: dict[int, tuple[int, int | None]] = {}
        queue: deque[int] = deque()
        seen = {kind}
        for place_ in allowed[kind]:
            came[place_] = (kind, None)
            queue.append(place_)
        end: int | None = None
        while queue:
            here = queue.popleft()
            if free[here]:
                end = here
                break
            for other, places in enumerate(taken):
                if other in seen or not places.get(here):
                    continue
                seen.add(other)
                for there in allowed[other]:
                    if there not in came:
                        came[there] = (other, here)
                        queue.append(there)
        if end is None:
            return placed
        path: list[tuple[int, int | None, int]] = []
        step: int | None = end
        while step is not None:
            mover, source = came[step]
            path.append((mover, source, step))
            step = source
        amount = min(
            wanted - placed, free[end], *(taken[mover][source] for mover, source, _ in path if source is not None)
        )
        free[end] -= amount
        for mover, source, target in path:
            taken[mover][target] = taken[mover].get(target, 0) + amount
            if source is not None:
                taken[mover][source] -= amount
                if not taken[mover][source]:
                    del taken[mover][source]
        placed += amount
    return placed
