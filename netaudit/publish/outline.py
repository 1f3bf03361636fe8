"""
What a drawing shows, before any geometry: closets in the order of the links, and on each switch the rows of things it feeds.

Switches are visited from the router down, those in the same closet first, so that no link has to cross another. Devices
that are alike fold into one row when a drawing would have more rows than a page holds.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from netaudit.site.topology import ROUTER, follow, router_closet, switch_closet

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from netaudit.site.model import Device, Drop, Site
    from netaudit.site.topology import Topology

# An A4 page, upright, with rows in a readable size: measured on a print of the demonstration site.
MOST_ROWS: Final = 44

Fed = Literal["device", "access_point", "recorder", "spare", "backup"]


@dataclass(frozen=True, slots=True)
class Row:
    """
    One thing, or several that are alike, on a switch: `refs` are the plan's names, `drops` the cables to them.

    corded   a patch cord reaches all of it: it stands in closets
    """

    fed: Fed
    refs: tuple[str, ...]
    count: int
    kind: str
    at: str | None
    segment: str | None
    drops: tuple[str, ...]
    corded: bool = True


@dataclass(frozen=True, slots=True)
class Shelf:
    """A switch, or the router, with what hangs on it. `depth` counts links up to the router."""

    ref: str
    closet: str | None
    above: str | None
    depth: int
    uplink_drops: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Cabinet:
    """A closet's part of the drawing; `first` is False where a closet comes up again on another branch."""

    closet: str | None
    first: bool
    shelves: tuple[Shelf, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Outline:
    """All of it. `folded` says whether rows stand for several entries of the plan."""

    cabinets: tuple[Cabinet, ...]
    folded: bool
    topology: Topology


def drops_by_thing(site: Site) -> dict[str, tuple[str, ...]]:
    """Say which drops end at which thing (`device:desk`), whichever of the two names the other."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for name, drop in site.drop.items():
        if drop.feeds is not None:
            found[drop.feeds][name] = None
    for table in ("access_point", "device"):
        for name, row in getattr(site, table).items():
            if row.drop is not None:
                found[f"{table}:{name}"][row.drop] = None
    for name, switch in site.switch.items():
        if switch.uplink_drop is not None:
            found[f"switch:{name}"][switch.uplink_drop] = None
    return {ref: tuple(drops) for ref, drops in found.items()}


def takes_power(site: Site, ref: str) -> bool:
    """Say whether a thing of the plan (`device:bell`, `access_point:yard`) is fed through its cable."""
    table, _, name = ref.partition(":")
    if table == "access_point":
        need = site.access_point[name].power
    elif table == "device":
        device = site.device[name]
        need = device.power or site.profile[device.kind].power
    else:
        return False
    return need.supply in ("802.3", "passive 24 V")


def outline(site: Site) -> Outline:
    """Order a checked plan for drawing. Linear in what the plan holds."""
    topology = follow(site)
    fed_by = drops_by_thing(site)
    order = list(_visit(site, topology))
    wired = {
        ref: sorted((_row(site, topology, fed_by, one.ref) for one in topology.wired.get(ref, ())), key=_rank)
        for ref, _ in order
    }
    used = {drop for drops in fed_by.values() for drop in drops}
    spare: dict[str | None, list[Row]] = defaultdict(list)
    for name, drop in site.drop.items():
        if name not in used:
            spare[drop.starts].append(_spare(name, drop))
    folded = False
    for fold in (_alike_in_room, _alike):
        if sum(map(len, wired.values())) + sum(map(len, spare.values())) <= MOST_ROWS:
            break
        folded = True
        wired = {ref: list(_folded(rows, fold)) for ref, rows in wired.items()}
        spare = defaultdict(list, {closet: list(_folded(rows, fold)) for closet, rows in spare.items()})
    shelves = [
        Shelf(
            ref=ref,
            closet=_closet(site, ref),
            above=None if ref == ROUTER else topology.uplink[ref],
            depth=depth,
            uplink_drops=fed_by.get(f"switch:{ref}", ()),
            rows=tuple(wired[ref]),
        )
        for ref, depth in order
    ]
    return Outline(tuple(_cabinets(site, shelves, spare)), folded, topology)


def _visit(site: Site, topology: Topology) -> Iterator[tuple[str, int]]:
    below: dict[str, list[str]] = defaultdict(list)
    for name in site.switch:
        below[topology.uplink[name]].append(name)
    waiting: list[tuple[str, int]] = [(ROUTER, 0)]
    while waiting:
        ref, depth = waiting.pop()
        yield ref, depth
        closet = _closet(site, ref)
        near = [name for name in below[ref] if _closet(site, name) == closet]
        far = [name for name in below[ref] if _closet(site, name) != closet]
        waiting += [(name, depth + 1) for name in reversed(near + far)]


def _closet(site: Site, ref: str) -> str | None:
    return router_closet(site) if ref == ROUTER else switch_closet(site, ref)


def _row(site: Site, topology: Topology, fed_by: dict[str, tuple[str, ...]], ref: str) -> Row:
    table, _, name = ref.partition(":")
    drops = fed_by.get(ref, ())
    if table == "access_point":
        point = site.access_point[name]
        return Row("access_point", (ref,), 1, name, point.at, point.segment, drops, _corded(site, point.at))
    if table == "recorder":
        recorder = site.recorder[name]
        return Row("recorder", (ref,), 1, name, recorder.closet, recorder.segment, drops)
    device: Device = site.device[name]
    segment = topology.segment_of[name]
    return Row("device", (ref,), device.count, device.kind, device.at, segment, drops, _corded(site, device.at))


def _corded(site: Site, at: str | None) -> bool:
    """Say whether a thing stands in a closet; one that stands nowhere is taken for one beside its switch."""
    return at is None or at in site.closet


def _rank(row: Row) -> int:
    """Put access points first, then recorders, then devices; each in the plan's order."""
    return ("access_point", "recorder", "device").index(row.fed)


def _spare(name: str, drop: Drop) -> Row:
    return Row("spare", (), 1, "spare", drop.ends, None, (name,))


def _alike_in_room(row: Row) -> tuple[object, ...]:
    return (row.fed, row.kind, row.at, row.segment)


def _alike(row: Row) -> tuple[object, ...]:
    return (row.fed, row.kind, row.segment)


def _folded(rows: Sequence[Row], fold: Callable[[Row], tuple[object, ...]]) -> Iterator[Row]:
    groups: dict[tuple[object, ...], list[Row]] = {}
    for row in rows:
        groups.setdefault(fold(row), []).append(row)
    for alike in groups.values():
        first = alike[0]
        yield Row(
            first.fed,
            tuple(ref for row in alike for ref in row.refs),
            sum(row.count for row in alike),
            first.kind,
            first.at if len({row.at for row in alike}) == 1 else None,
            first.segment,
            tuple(drop for row in alike for drop in row.drops),
            all(row.corded for row in alike),
        )


def _cabinets(site: Site, shelves: Iterable[Shelf], spare: dict[str | None, list[Row]]) -> Iterator[Cabinet]:
    runs: list[tuple[str | None, list[Shelf]]] = []
    for shelf in shelves:
        if not runs or runs[-1][0] != shelf.closet:
            runs.append((shelf.closet, []))
        runs[-1][1].append(shelf)
    seen: set[str | None] = set()
    for closet, run in runs:
        first = closet not in seen
        seen.add(closet)
        batteries = [_battery(site, name) for name in site.backup if _battery_closet(site, name) == closet]
        yield Cabinet(closet, first, tuple(run), (*batteries, *spare.get(closet, ())) if first else ())
    for closet in site.closet:
        if closet not in seen:
            yield Cabinet(closet, first=True, shelves=(), rows=tuple(spare.get(closet, ())))


def _battery_closet(site: Site, name: str) -> str | None:
    kind, _, fed = site.backup[name].feeds[0].partition(":")
    if kind == "switch":
        return switch_closet(site, fed)
    if kind == "recorder":
        return site.recorder[fed].closet or next(iter(site.closet), None)
    return router_closet(site)


def _battery(site: Site, name: str) -> Row:
    return Row("backup", (f"backup:{name}",), 1, name, _battery_closet(site, name), None, ())
