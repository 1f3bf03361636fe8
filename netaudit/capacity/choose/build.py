"""From a decision to the changed plan: what is bought, where it stands, and which switch each thing is patched to."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

from netaudit.capacity.choose import rows
from netaudit.capacity.choose.ground import (
    Ground,
    carried,
    closets_by_switch,
    first_name,
    pinned,
    uplink_of,
)
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.capacity.choose.choices import Option
    from netaudit.capacity.choose.kinds import Kind
    from netaudit.capacity.choose.rows import Row
    from netaudit.capacity.choose.stacks import Stack
    from netaudit.site.equipment import Equipment

AT_HAND = "at hand "


@dataclass(frozen=True, slots=True)
class Decision:
    """
    Everything decided.

    options  by what they are for; stacks by closet; router: its sheet, None when it is at hand
    dealt    closet -> kind of plug -> how many on each of its switches, for closets that have several
    """

    options: Mapping[str, Option]
    stacks: Mapping[str, Stack]
    router: str | None
    dealt: Mapping[str, Mapping[Kind, tuple[int, ...]]]


def changed_plan(ground: Ground, equipment: Equipment, decision: Decision) -> Row:
    """Write the decision into the plan's data; what it leaves alone is shared with the ground's."""
    raw = {**ground.raw}
    names = switch_names(ground, decision)
    raw["switch"] = _switches(ground, equipment, decision, names)
    unused = {cabinet.uplink.get("uplink_drop") for closet, cabinet in ground.cabinets.items() if closet not in names}
    if unused - {None}:
        raw["drop"] = {
            name: {key: value for key, value in row.items() if key != "feeds" or name not in unused}
            for name, row in raw["drop"].items()
        }
    if decision.router is not None:
        raw["router"] = rows.router_row(ground.raw["router"], equipment.router[decision.router])
    for table in ("access_point", "recorder"):
        picked = {ref.partition(":")[2]: one for ref, one in decision.options.items() if ref.startswith(f"{table}:")}
        if picked:
            raw[table] = {name: one.row for name, one in picked.items() if one.row is not None}
    raw = carried(raw, names, closets_by_switch(ground.cabinets))
    raw = _converted(ground, decision, raw, names, equipment)
    first = {closet: switches[0] for closet, switches in names.items()}
    raw = pinned(raw, {ref: first[closet] for ref, closet in ground.pins.items()})
    parts: dict[str, tuple[str, ...]] = {}
    for closet, dealt in decision.dealt.items():
        raw = _patched(raw, closet, decision, switches=names[closet], dealt=dealt, parts=parts)
    injectors: dict[str, Row] = {}
    for ref, option in decision.options.items():
        if option.injector is None:
            continue
        for fed in parts.get(ref, (ref,)):
            table, _, name = fed.partition(":")
            count = raw[table][name].get("count", 1)
            for number in range(1, count + 1):
                key = name if count == 1 else f"{name}-{number}"
                while key in injectors:
                    key += "-feeder"
                injectors[key] = rows.injector_row(fed, equipment.injector[option.injector])
    if injectors:
        raw["injector"] = injectors
    return raw


def switch_names(ground: Ground, decision: Decision) -> dict[str, tuple[str, ...]]:
    """Name the switches of each closet that has any: as the plan did, else after the closet."""
    taken = {name for cabinet in ground.cabinets.values() for name in (*cabinet.names, first_name(cabinet))}
    found: dict[str, tuple[str, ...]] = {}
    for closet, stack in decision.stacks.items():
        if not stack.wares:
            continue
        cabinet = ground.cabinets[closet]
        names = [ware.name.removeprefix(AT_HAND) for ware in stack.wares if ware.name.startswith(AT_HAND)]
        left = [name for name in cabinet.names or (first_name(cabinet),) if name not in names]
        number = 2
        while len(names) < len(stack.wares):
            if left:
                names.append(left.pop(0))
                continue
            name = f"{closet}-{number}"
            number += 1
            if name not in taken:
                taken.add(name)
                names.append(name)
        found[closet] = tuple(names)
    return found


def _switches(
    ground: Ground, equipment: Equipment, decision: Decision, names: Mapping[str, tuple[str, ...]]
) -> dict[str, Row]:
    found: dict[str, Row] = {}
    staffed = {closet: ground.cabinets[closet] for closet in names}
    for closet, cabinet in staffed.items():
        stack = decision.stacks[closet]
        for slot, (name, ware) in enumerate(zip(names[closet], stack.wares, strict=True)):
            kept = ware.name.startswith(AT_HAND)
            row = dict(ground.raw["switch"][name]) if kept else rows.switch_row(equipment.switch[ware.name])
            for key in ("closet", "uplink", "uplink_rate", "uplink_medium", "uplink_drop"):
                row.pop(key, None)
            if slot == 0:
                way = {"uplink": uplink_of(cabinet, staffed), **cabinet.uplink}
            else:
                way = {"uplink": f"switch:{names[closet][0]}", "uplink_rate": rows.rate(stack.link.rate_bps)}
            found[name] = {"closet": closet, **way, **row}
    return found


def _converted(
    ground: Ground, decision: Decision, raw: Row, names: Mapping[str, tuple[str, ...]], equipment: Equipment
) -> Row:
    """Where a way up has a pair of converters, one copper port at each end counts as fibre."""
    for closet, cabinet in ground.cabinets.items():
        option = decision.options[f"link:{closet}"]
        if not option.sheets:
            continue
        sheet = equipment.converter[option.sheets[0]]
        own = names[closet][0]
        raw = {**raw, "switch": dict(raw["switch"])}
        row = raw["switch"][own]
        raw["switch"][own] = {
            **row,
            "ports": _with_fibre(row["ports"], sheet.rate_bps),
            "price": row.get("price", 0.0) + sheet.price,
        }
        above = next(iter(names.get(cabinet.parent or ROUTER, ())), None)
        if above is None:
            raw["router"] = {**raw["router"], "ports": _with_fibre(raw["router"].get("ports", 4), sheet.rate_bps)}
        else:
            upper = raw["switch"][above]
            raw["switch"][above] = {**upper, "ports": _with_fibre(upper["ports"], sheet.rate_bps)}
    return raw


def _with_fibre(ports: int | list[Row], rate_bps: float) -> list[Row]:
    """Turn the least powerful copper port into a fibre one."""
    groups = [{"count": ports}] if isinstance(ports, int) else [dict(group) for group in ports]
    copper = [group for group in groups if group.get("medium", "copper") == "copper" and group["count"]]
    taken = min(copper, key=lambda group: group.get("power", "none"))
    taken["count"] -= 1
    return [
        *(group for group in groups if group["count"]),
        {"count": 1, "rate": rows.rate(rate_bps), "medium": "fibre"},
    ]


def _patched(
    raw: Row,
    closet: str,
    decision: Decision,
    *,
    switches: tuple[str, ...],
    dealt: Mapping[Kind, tuple[int, ...]],
    parts: dict[str, tuple[str, ...]],
) -> Row:
    """Patch every thing of a closet to one of its switches, splitting groups that stand on several."""
    places = {
        kind: deque((switches[slot], count) for slot, count in enumerate(counts) if count)
        for kind, counts in dealt.items()
    }
    for ref, option in decision.options.items():
        if ref.startswith("link:") or not any(need.closet == closet for need in option.needs):
            continue
        split: dict[str, int] = {}
        for need in option.needs:
            left = need.count if need.closet == closet else 0
            queue = places.get(need.kind, deque())
            while left and queue:
                switch, free = queue.popleft()
                used = min(left, free)
                split[switch] = split.get(switch, 0) + used
                left -= used
                if used < free:
                    queue.appendleft((switch, free - used))
        if len({need.closet for need in option.needs}) > 1:
            continue  # a group whose cables start in several closets is patched where they start
        if len(split) == 1:
            raw = pinned(raw, {ref: next(iter(split))})
        elif split:
            raw, parts[ref] = _split(raw, ref, split)
    return raw


def _split(raw: Row, ref: str, split: Mapping[str, int]) -> tuple[Row, tuple[str, ...]]:
    """Split a group of devices by the switches that they are patched to; addresses and MACs go with their devices."""
    table, _, name = ref.partition(":")
    row = raw[table][name]
    drops = [one for one, drop in raw.get("drop", {}).items() if drop.get("feeds") == ref and one != row.get("drop")]
    fed: dict[str, Row] = {}
    made: dict[str, Row] = {}
    done = 0
    macs = list(row.get("mac", ()))
    # The drop that the row itself names is its first cable.
    own = 1 if "drop" in row else 0
    for number, (switch, count) in enumerate(split.items()):
        key = name if number == 0 else _free_name(raw[table], made, name)
        part = {**row, "count": count, "switch": switch}
        if number:
            for single in ("drop", "hostname"):
                part.pop(single, None)
            if "address" in row:
                part["address"] = str(IPv4Address(row["address"]) + done)
        if macs:
            part["mac"] = macs[done : done + count]
            if not part["mac"]:
                del part["mac"]
        first, last = max(0, done - own), max(0, done + count - own)
        fed |= {drop: {**raw["drop"][drop], "feeds": f"{table}:{key}"} for drop in drops[first:last]}
        made[key] = part
        done += count
    changed = {**raw, table: {}}
    for key, old in raw[table].items():
        changed[table] |= made if key == name else {key: old}
    if fed:
        changed["drop"] = {**raw["drop"], **fed}
    return changed, tuple(f"{table}:{key}" for key in made)


def _free_name(taken: Row, made: Row, name: str) -> str:
    number = 2
    while f"{name}-{number}" in taken or f"{name}-{number}" in made:
        number += 1
    return f"{name}-{number}"
