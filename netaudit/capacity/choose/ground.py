"""
The ground on which equipment is chosen: the plan without what may be exchanged, and the same with boundless equipment.

What the plan leaves open is completed here: closets without a switch, rooms without an access point, cameras without a recorder.
What it says is kept: places, cables, channels, names, the tree of closets, and everything that is at hand already.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from netaudit.capacity import links
from netaudit.capacity.choose.rows import Row, rate
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.patching import UPLINK, patch, plugs
from netaudit.site.load import build_site, shape_site
from netaudit.site.topology import ROUTER, building_of, router_closet, switch_closet

if TYPE_CHECKING:
    from netaudit.capacity.patching import Plug
    from netaudit.site.equipment import Equipment
    from netaudit.site.model import Site

# A boundless switch: faster than any port that a plan can ask for, of each power, with supply for all of it.
_FAST: Final = "800 Gb/s"
_MOST_IN_GROUP: Final = 1000  # the plan's own bound on a group of ports
_SUPPLY: Final = "1000000000 W"
# Rates that Ethernet has (IEEE 802.3), for an uplink that needs more than is drawn.
ETHERNET_BPS: Final = (1e9, 2.5e9, 5e9, 10e9, 25e9, 40e9, 100e9)


@dataclass(frozen=True, slots=True)
class Cabinet:
    """
    A closet that needs switches.

    parent   closet whose first switch its own first one hangs on; None: the router
    names    names for its switches, the first one's first; kept: those that are at hand
    uplink   rate, medium and drop of the way up, as a plan writes them
    most     switches that fit; hops: switches in a row from its first one to the router
    may_be_empty  whether nothing but candidate access points asks for a switch here
    """

    name: str
    parent: str | None
    names: tuple[str, ...]
    kept: tuple[str, ...]
    uplink: Row
    most: int
    hops: int = 1
    may_be_empty: bool = False


@dataclass(frozen=True, slots=True)
class Ground:
    """
    What choosing starts from.

    raw        the plan's data, without the switches, injectors and prices that are to be chosen
    site       the same as a checked plan, with a boundless switch in each cabinet and a boundless router
    cabinets   by closet; pins: what the plan patches to another closet than its own
    free       whether the plan hangs no access points, so that its rooms are candidates; named: those that hang all the same,
               because a device or a cable names them
    """

    raw: Row
    site: Site
    cabinets: dict[str, Cabinet]
    pins: dict[str, str]
    free: bool
    named: frozenset[str]


def boundless_ports(count: int) -> list[Row]:
    """Give ports of each power and medium, `count` or more of each."""
    kinds = (("type 4", "copper"), ("none", "copper"), ("passive 24 V", "copper"), ("none", "fibre"))
    return [
        {"count": _MOST_IN_GROUP, "rate": _FAST, "power": power, "medium": medium}
        for power, medium in kinds
        for _ in range(math.ceil(count / _MOST_IN_GROUP))
    ]


def prepare(raw: Row, equipment: Equipment, *, file: str = "site.toml", text: str = "") -> Ground:
    """
    Complete a plan's data and take out what is to be chosen.

    Raises:    PlanError: the plan has a fault that isn't a missing switch or access point.
    """
    shaped = shape_site(raw, file, text)
    raw = _completed(raw, shaped, equipment)
    drawn = shape_site(raw, file, text)
    things = sum(device.count for device in drawn.device.values()) + len(drawn.access_point) + len(drawn.recorder)
    ports = boundless_ports(2 * (things + len(drawn.closet) + len(drawn.switch)))
    cabinets = {closet: _cabinet(drawn, closet) for closet in drawn.closet}
    pins = _pins(drawn)
    bare = _bare(raw, drawn, cabinets)
    everywhere = build_site(_opened(bare, cabinets, pins, ports), file, text)
    named = frozenset() if shaped.access_point else frozenset(_named(shaped))
    candidates = frozenset(() if shaped.access_point else everywhere.access_point) - named
    cabinets = _needed(everywhere, cabinets, candidates)
    bare = _bare(raw, drawn, cabinets)
    site = build_site(_opened(bare, cabinets, pins, ports), file, text)
    cabinets = _measured(site, cabinets)
    return Ground(
        bare,
        build_site(_opened(bare, cabinets, pins, ports), file, text),
        cabinets,
        pins,
        free=not shaped.access_point,
        named=named,
    )


def _completed(raw: Row, site: Site, equipment: Equipment) -> Row:
    raw = {**raw, "router": dict(raw.get("router", {}))}
    if not site.closet:
        raw["closet"] = {"closet": {}}
    wireless = [device for device in site.device.values() if _link(site, device.kind) == "wifi"]
    named = {} if site.access_point else _named(site)
    if not site.access_point and (wireless or named):
        taken = {row.get("at") for row in named.values()}
        rooms = {name: {"at": name} for name in site.room if name not in taken} if wireless else {}
        raw["access_point"] = {**rooms, **named} or {"main": {}}
    recorded = [row for row in site.device.values() if row.kind in site.profile and site.profile[row.kind].recorded]
    if recorded and not site.recorder:
        closet = site.router.closet or next(iter(raw["closet"]))
        row = {"closet": closet}
        if recorded[0].segment is not None:
            row["segment"] = recorded[0].segment
        raw["recorder"] = {"recorder": row}
    per_metre: dict[str, float] = {}
    for sheet in equipment.cable.values():
        per_metre[sheet.category] = min(sheet.price, per_metre.get(sheet.category, math.inf))
    if site.drop:
        raw["drop"] = {
            name: row
            if "cost_per_m" in row or site.drop[name].category not in per_metre
            else {**row, "cost_per_m": per_metre[site.drop[name].category]}
            for name, row in raw["drop"].items()
        }
    return raw


def _named(site: Site) -> dict[str, Row]:
    """
    Give the access points that devices and cables name though the plan hangs none: they hang, whatever else does.

    One hangs where its cable ends, else in the room that has its name, else in no place that is known.
    """
    found: dict[str, Row] = {}
    for drop in site.drop.values():
        kind, _, name = (drop.feeds or "").partition(":")
        if kind == "access_point":
            found[name] = {"at": drop.ends} if drop.ends in site.room or drop.ends in site.closet else {}
    for device in site.device.values():
        for name in device.access_points:
            found.setdefault(name, {"at": name} if name in site.room else {})
    return found


def _link(site: Site, kind: str) -> str | None:
    return site.profile[kind].link if kind in site.profile else None


def _leaving(site: Site, closet: str) -> str | None:
    """Name the closet's switch whose uplink leaves the closet."""
    for name, switch in site.switch.items():
        above = switch.uplink.removeprefix("switch:")
        if switch_closet(site, name) == closet and (
            above == ROUTER or above not in site.switch or switch_closet(site, above) != closet
        ):
            return name
    return None


def _cabinet(site: Site, closet: str) -> Cabinet:
    here = [name for name in site.switch if switch_closet(site, name) == closet]
    first = _leaving(site, closet)
    kept = tuple(name for name in here if site.switch[name].keep)
    if first is not None and (not kept or first in kept):
        here.remove(first)
        here.insert(0, first)
    elif kept:
        here.remove(kept[0])
        here.insert(0, kept[0])
    kept = tuple(name for name in here if name in kept)
    uplink: Row = {}
    parent: str | None = None
    if first is not None:
        switch = site.switch[first]
        above = switch.uplink.removeprefix("switch:")
        parent = None if above == ROUTER or above not in site.switch else switch_closet(site, above)
        uplink = {"uplink_rate": rate(switch.uplink_rate_bps), "uplink_medium": switch.uplink_medium}
        fed_by = [name for name, drop in site.drop.items() if drop.feeds == f"switch:{first}"]
        if (drop := switch.uplink_drop or next(iter(fed_by), None)) is not None:
            uplink["uplink_drop"] = drop
    elif closet != router_closet(site):
        ways = [
            (name, drop)
            for name, drop in site.drop.items()
            if drop.ends == closet and drop.starts in site.closet and drop.feeds is None
        ]
        parent = ways[0][1].starts if ways else router_closet(site)
        if ways:
            uplink["uplink_drop"] = ways[0][0]
        elif parent is not None and building_of(site, parent) != building_of(site, closet):
            uplink["uplink_medium"] = "fibre"
    return Cabinet(closet, parent, tuple(here), kept, uplink, max(site.closet[closet].max_switches, len(kept)))


def _pins(site: Site) -> dict[str, str]:
    """Say which things the plan patches to a switch of another closet than the one that is nearest to them."""
    found: dict[str, str] = {}
    for plug in plugs(site):
        if (
            plug.switch is None
            or plug.switch not in site.switch
            or plug.ref == UPLINK
            or plug.ref.startswith("switch:")
        ):
            continue
        closet = switch_closet(site, plug.switch)
        if closet is not None and closet != plug.closet:
            found[plug.ref] = closet
    return found


def _bare(raw: Row, site: Site, cabinets: dict[str, Cabinet]) -> Row:
    """Take out switches and injectors, and all that names them."""
    bare = {key: value for key, value in raw.items() if key not in ("switch", "injector")}
    kept = {name: dict(raw["switch"][name]) for name, row in site.switch.items() if row.keep}
    if kept:
        bare["switch"] = kept
    for table in ("device", "access_point", "recorder"):
        if table in bare:
            bare[table] = {
                name: {key: value for key, value in row.items() if key != "switch"} for name, row in bare[table].items()
            }
    if "drop" in bare:
        bare["drop"] = {name: dict(row) for name, row in bare["drop"].items()}
        for row in bare["drop"].values():
            if str(row.get("feeds", "")).startswith("switch:"):
                del row["feeds"]
        for cabinet in cabinets.values():
            drop = cabinet.uplink.get("uplink_drop")
            if drop is not None:
                bare["drop"][drop]["feeds"] = f"switch:{first_name(cabinet)}"
    return bare


def first_name(cabinet: Cabinet) -> str:
    """Name a cabinet's first switch."""
    return cabinet.names[0] if cabinet.names else cabinet.name


def uplink_of(cabinet: Cabinet, cabinets: dict[str, Cabinet]) -> str:
    """Say what a cabinet's first switch is patched to."""
    above = cabinets.get(cabinet.parent) if cabinet.parent is not None else None
    return ROUTER if above is None or above.name == cabinet.name else f"switch:{first_name(above)}"


def carried(raw: Row, switches: dict[str, tuple[str, ...]], names: dict[str, str]) -> Row:
    """
    Let battery supplies carry what stands now where their switches stood.

    Args:      switches of each closet as they will be; names: closet of each switch as it was.
    """
    if "backup" not in raw:
        return raw
    rows = {}
    for name, row in raw["backup"].items():
        feeds: dict[str, None] = {}
        for ref in row["feeds"]:
            kind, _, bare = ref.partition(":")
            new = [f"switch:{one}" for one in switches.get(names.get(bare, ""), ())] if kind == "switch" else [ref]
            feeds.update(dict.fromkeys(new))
        if feeds:
            rows[name] = {**row, "feeds": list(feeds)}
    return {**raw, "backup": rows}


def closets_by_switch(cabinets: dict[str, Cabinet]) -> dict[str, str]:
    """Name the closet of each switch that the plan drew."""
    return {name: cabinet.name for cabinet in cabinets.values() for name in cabinet.names}


def _opened(bare: Row, cabinets: dict[str, Cabinet], pins: dict[str, str], ports: list[Row]) -> Row:
    opened = {**bare, "router": {**bare["router"], "ports": ports, "routed": _FAST}}
    opened["switch"] = {
        first_name(cabinet): {
            "closet": cabinet.name,
            "ports": ports,
            "supply": _SUPPLY,
            "uplink": uplink_of(cabinet, cabinets),
            **cabinet.uplink,
        }
        for cabinet in cabinets.values()
    }
    switches: dict[str, tuple[str, ...]] = {closet: (first_name(cabinet),) for closet, cabinet in cabinets.items()}
    return carried(
        pinned(opened, {ref: switches[closet][0] for ref, closet in pins.items()}),
        switches,
        closets_by_switch(cabinets),
    )


def pinned(raw: Row, pins: dict[str, str]) -> Row:
    """Patch things to the switches named."""
    changed = dict(raw)
    for ref, switch in pins.items():
        table, _, name = ref.partition(":")
        changed[table] = {**changed[table], name: {**changed[table][name], "switch": switch}}
    return changed


def home_of(site: Site, plug: Plug) -> str | None:
    """Name the closet in which a plug is patched."""
    return plug.closet if plug.switch is None else switch_closet(site, plug.switch)


def _needed(site: Site, cabinets: dict[str, Cabinet], candidates: frozenset[str]) -> dict[str, Cabinet]:
    """
    Keep the closets in which something is plugged, a cable starts or a switch is at hand, and those on their way up.

    Those that only candidate access points ask for may be empty; not where a battery supply is to carry their switch.
    """
    hung = {f"access_point:{name}" for name in candidates}
    plugged = [plug for plug in plugs(site) if plug.ref != UPLINK and not plug.ref.startswith("switch:")]
    asked = {home_of(site, plug) for plug in plugged if plug.ref not in hung}
    asked |= {drop.starts for drop in site.drop.values() if drop.starts != router_closet(site)}
    asked |= {name for name, cabinet in cabinets.items() if cabinet.kept}
    wanted = _with_ways_up(site, cabinets, asked | {home_of(site, plug) for plug in plugged})
    fed = (ref.partition(":") for row in site.backup.values() for ref in row.feeds)
    backed = {switch_closet(site, name) for kind, _, name in fed if kind == "switch"}
    staffed = _with_ways_up(site, cabinets, asked | (backed & wanted))
    return {
        name: replace(
            cabinet,
            parent=cabinet.parent if cabinet.parent in wanted else None,
            may_be_empty=name not in staffed,
        )
        for name, cabinet in cabinets.items()
        if name in wanted
    }


def _with_ways_up(site: Site, cabinets: dict[str, Cabinet], asked: set[str | None]) -> set[str | None]:
    """Add the closets that the ways up of these pass through."""
    wanted = set(asked)
    for name in asked:
        seen = {name}
        above = cabinets[name].parent if name is not None else None
        while above is not None and above not in seen:
            seen.add(above)
            # The router's own closet serves as a way up without any switch.
            if above == router_closet(site):
                break
            wanted.add(above)
            above = cabinets[above].parent
    return wanted


def _measured(site: Site, cabinets: dict[str, Cabinet]) -> dict[str, Cabinet]:
    """Make each uplink as fast as its load asks for, and count the hops, as the ledger of boundless equipment has them."""
    lines = links.judge(site, patch(site)).lines
    found = {}
    for name, cabinet in cabinets.items():
        first = first_name(cabinet)
        wanted_bps = max(line.grown / line.ceiling for line in lines if line.place == f"link:switch/{first}")
        drawn_bps = site.switch[first].uplink_rate_bps
        fast_bps = next((one for one in ETHERNET_BPS if one >= wanted_bps), ETHERNET_BPS[-1])
        uplink = dict(cabinet.uplink)
        if wanted_bps > drawn_bps:
            uplink["uplink_rate"] = rate(fast_bps)
        hops = next(line.planned for line in lines if line.kind is LineKind.HOPS and line.place == f"switch:{first}")
        found[name] = replace(cabinet, uplink=uplink, hops=int(hops))
    return found
