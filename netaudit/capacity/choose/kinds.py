"""
What one thing asks of its switch and what a switch has for it, in the ledger's own figures.

Nothing here knows a growth margin, a ceiling or a class's watts: each figure is the ledger's answer about a plan with one
thing, or with nothing but switches, in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity import feeding, poe, ports
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.patching import UPLINK, offers, patch, plugs, type_of
from netaudit.capacity.power_classes import CLASSES
from netaudit.site.model import Switch

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from netaudit.capacity.choose.ground import Ground
    from netaudit.capacity.patching import Plug
    from netaudit.site.model import PortGroup, Site

_BEYOND: Final = 99  # a class that no port grants
_MOST_STAIRS: Final = 100  # 4 rates and 4 powers make 70; more at once no plan has


@dataclass(frozen=True, slots=True)
class Wanted:
    """A port that will do: medium, at least this rate, offering this class (None: any), or an always-on one."""

    medium: str
    rate_bps: float
    power_class: int | None
    passive: bool


Threshold = frozenset[Wanted]


@dataclass(frozen=True, slots=True)
class Kind:
    """
    Plugs that are alike: the port that each wants, and what each adds to the lines of its switch, with growth.

    ports, powered and power_w as the ledger's lines `ports`, `powered_ports` and `power` count them.
    """

    wanted: Wanted
    ports: float
    powered: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Need:
    """`count` plugs of a kind in a closet (or on the router)."""

    closet: str
    kind: Kind
    count: int


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a switch has: what its lines let us use, and its groups of ports."""

    ports: float
    powered: float
    power_w: float
    groups: tuple[PortGroup, ...]


def least_type(power_class: int | None) -> int:
    """Number of the least type of port that grants a class; 0 for none."""
    if power_class is None:
        return 0
    return CLASSES[power_class].least_type if power_class in CLASSES else _BEYOND


def is_at_least(one: Wanted, other: Wanted) -> bool:
    """Say whether every port that will do for `one` will do for `other`."""
    if one.medium != other.medium or one.rate_bps < other.rate_bps or one.passive != other.passive:
        return False
    return least_type(one.power_class) >= least_type(other.power_class)


def suits(group: PortGroup, wanted: Wanted) -> bool:
    """Say whether ports of a group will do."""
    if group.medium != wanted.medium or group.rate_bps < wanted.rate_bps:
        return False
    live = type_of(group.power) is None and group.power != "none"
    if wanted.passive or live:
        return wanted.passive and live
    return wanted.power_class is None or offers(group.power, wanted.power_class)


def asks_one_of(wanted: Wanted, threshold: Threshold) -> bool:
    """Say whether a plug asks for at least one of these."""
    return any(is_at_least(wanted, one) for one in threshold)


def count_suiting(groups: Iterable[PortGroup], threshold: Threshold) -> int:
    """Count the ports that will do for at least one of these."""
    return sum(group.count for group in groups if any(suits(group, one) for one in threshold))


def thresholds(kinds: Iterable[Kind]) -> tuple[Threshold, ...]:
    """
    Give the sets of ports to count, so that plugs find ports exactly if each set has as many ports as plugs ask for it.

    A port that will do for a plug will do for each easier one, so the sets that Hall's theorem asks about are those
    closed upwards: stairs of falling rate and rising power. With many rates and powers at once only the single steps
    are counted: fewer conditions, never a wrong one.

    Source:    Hall 1935, On Representatives of Subsets.
    """
    wanted = {kind.wanted for kind in kinds}
    found: dict[Threshold, None] = {}
    for medium, passive in sorted({(one.medium, one.passive) for one in wanted}):
        alike = [one for one in wanted if (one.medium, one.passive) == (medium, passive)]
        classes = {0: None, **{least_type(one.power_class): one.power_class for one in alike}}
        rates, numbers = sorted({one.rate_bps for one in alike}), sorted(classes)
        steps = [[Wanted(medium, rate_bps, classes[number], passive) for number in numbers] for rate_bps in rates]
        found.update({frozenset((one,)): None for row in steps for one in row})
        if math.comb(len(rates) + len(numbers), len(rates)) <= _MOST_STAIRS:
            found.update({frozenset(stair): None for stair in _stairs(steps) if stair})
    return tuple(found)


def _stairs(steps: list[list[Wanted]]) -> Iterator[tuple[Wanted, ...]]:
    """For each rate, rising, either nothing or a power that is lower than those of the slower rates."""
    if not steps:
        yield ()
        return
    *slower, fastest = steps
    for below in _stairs(slower):
        yield below
        lowest = min((_column(slower, one) for one in below), default=len(fastest))
        for index in range(lowest):
            yield (*below, fastest[index])


def _column(rows: list[list[Wanted]], one: Wanted) -> int:
    """Find the column of a step."""
    return next(row.index(one) for row in rows if one in row)


def links_of(ground: Ground) -> dict[str, tuple[Wanted, Wanted | None]]:
    """Give, for each cabinet, the port that its way up wants at its own end and at the upper one."""
    ends: dict[str, list[Wanted]] = {}
    for plug in plugs(ground.site):
        if plug.ref == UPLINK or plug.ref.startswith("switch:"):
            name = plug.switch if plug.ref == UPLINK else plug.ref.removeprefix("switch:")
            ends.setdefault(str(name), []).append(Wanted(plug.medium, plug.rate_bps, None, passive=False))
    return {
        str(ground.site.switch[name].closet): (found[0], found[1] if len(found) > 1 else None)
        for name, found in ends.items()
    }


class Scales:
    """Weighs kinds of plugs: one thing alone on a boundless switch, and the ledger asked what it asks for."""

    def __init__(self, site: Site) -> None:
        name, switch = next(iter(site.switch.items()), ("scales", None))
        alone = switch or Switch.model_validate({"closet": next(iter(site.closet)), "ports": 8})
        self._empty: dict[str, object] = {
            "switch": {name: alone.model_copy(update={"uplink": "router", "uplink_drop": None})},
            **{table: {} for table in ("access_point", "device", "recorder", "injector", "drop", "backup")},
        }
        self._name = name
        self._weighed: dict[tuple[object, ...], tuple[float, float, float]] = {}
        self._bare = self._lines(site.model_copy(update=self._empty))

    def kind(self, site: Site, plug: Plug) -> Kind:
        """Weigh a plug of a plan."""
        wanted = Wanted(plug.medium, plug.rate_bps, plug.power_class, plug.passive)
        need = feeding.need_of(site, plug.ref)
        draw_w = need.draw_w if need is not None and plug.passive else None
        key = (plug.power_class, plug.passive, draw_w)
        if key not in self._weighed:
            self._weighed[key] = self._weigh(site, plug)
        return Kind(wanted, *self._weighed[key])

    def link(self, wanted: Wanted) -> Kind:
        """Weigh one end of a link: what a switch with nothing on it but its own way up is counted."""
        return Kind(wanted, self._bare[LineKind.PORTS], 0.0, 0.0)

    def _weigh(self, site: Site, plug: Plug) -> tuple[float, float, float]:
        table, _, name = plug.ref.partition(":")
        row = getattr(site, table)[name]
        update: dict[str, object] = {"switch": self._name, **({"drop": None} if table != "recorder" else {})}
        if table == "device":
            update["count"] = 1
        alone = {**self._empty, table: {name: row.model_copy(update=update)}}
        if plug.power_class is None and not plug.passive:
            alone["injector"] = {key: one for key, one in site.injector.items() if one.feeds == plug.ref}
        lines = self._lines(site.model_copy(update=alone))
        asked = [lines[kind] - self._bare[kind] for kind in _LINES]
        return asked[0], asked[1], asked[2]

    def _lines(self, site: Site) -> dict[LineKind, float]:
        patching = patch(site)
        place = f"switch:{self._name}"
        found = dict.fromkeys(_LINES, 0.0)
        for line in (*ports.judge(site, patching).lines, *poe.judge(site, patching).lines):
            if line.place == place and line.kind in found:
                found[line.kind] = line.grown
        return found


_LINES: Final = (LineKind.PORTS, LineKind.POWERED_PORTS, LineKind.POWER)


def capacities(site: Site, switches: Mapping[str, Switch]) -> dict[str, Capacity]:
    """Ask the ledger what it lets us use of switches that stand in a plan by themselves."""
    closet = next(iter(site.closet))
    shelf = site.model_copy(
        update={
            **{table: {} for table in ("access_point", "device", "recorder", "injector", "drop", "backup")},
            "switch": {
                name: row.model_copy(update={"closet": closet, "uplink": "router", "uplink_drop": None})
                for name, row in switches.items()
            },
        }
    )
    patching = patch(shelf)
    usable: dict[tuple[str, LineKind], float] = {
        (line.place, line.kind): line.usable
        for line in (*ports.judge(shelf, patching).lines, *poe.judge(shelf, patching).lines)
    }
    return {
        name: Capacity(
            usable.get((f"switch:{name}", LineKind.PORTS), 0.0),
            usable.get((f"switch:{name}", LineKind.POWERED_PORTS), 0.0),
            usable.get((f"switch:{name}", LineKind.POWER), 0.0),
            row.ports,
        )
        for name, row in switches.items()
    }
