"""The cable and patch schedule: one row a drop, as a page to print with labels to cut out, and as CSV."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity.patching import UPLINK, patch
from netaudit.publish.outline import drops_by_thing, takes_power
from netaudit.publish.template import render
from netaudit.publish.text import harmless, place_name
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from netaudit.site.model import Site

# A spreadsheet takes a cell that begins like this for a formula; an apostrophe makes it text (common practice).
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
COLUMNS: Final = ("drop", "label", "starts", "ends", "feeds", "switch", "port", "length_m", "category", "powered")


@dataclass(frozen=True, slots=True)
class ScheduleRow:
    """One drop. `feeds` and `switch` are the plan's references, empty for a spare; `port` counts from 1."""

    drop: str
    label: str
    starts: str
    ends: str
    ends_words: str
    feeds: str
    feeds_words: str
    switch: str
    switch_words: str
    port: str
    length_m: float
    category: str
    powered: bool


def schedule(site: Site) -> tuple[ScheduleRow, ...]:
    """List every drop of a checked plan in its order, with the port to which its start is patched."""
    fed = {drop: ref for ref, drops in drops_by_thing(site).items() for drop in drops}
    patched = {found.plug.drop: found for found in patch(site).patches if found.plug.ref != UPLINK}
    rows: list[ScheduleRow] = []
    for name, drop in site.drop.items():
        feeds = fed.get(name, "")
        found = patched.get(name)
        switch = "" if found is None else ROUTER if found.switch == ROUTER else f"switch:{found.switch}"
        ends = f"room:{drop.ends}" if drop.ends in site.room else f"closet:{drop.ends}"
        rows.append(
            ScheduleRow(
                drop=name,
                label=drop.label or name,
                starts=drop.starts,
                ends=drop.ends,
                ends_words=place_name(ends, site),
                feeds=feeds,
                feeds_words=place_name(feeds, site) if feeds else "spare",
                switch=switch,
                switch_words=place_name(switch, site) if switch else "",
                port=str(found.first_port) if found is not None else "",
                length_m=drop.length_m,
                category=drop.category,
                powered=takes_power(site, feeds),
            )
        )
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class Undrawn:
    """So many things on a cable in a room, for which the plan has no drop yet."""

    at_words: str
    feeds_words: str
    count: int
    switch_words: str


def undrawn(site: Site) -> tuple[Undrawn, ...]:
    """List what hangs on a switch by a cable that the plan doesn't have, room by room; in a closet a patch cord does."""
    stands = {f"device:{name}": one.at for name, one in site.device.items()}
    stands |= {f"access_point:{name}": point.at for name, point in site.access_point.items()}
    counts: Counter[tuple[str, str, str]] = Counter()
    for found in patch(site).patches:
        at = stands.get(found.plug.ref)
        if found.plug.drop is None and at in site.room:
            switch = ROUTER if found.switch == ROUTER else f"switch:{found.switch}"
            counts[f"room:{at}", found.plug.ref, switch] += found.count
    return tuple(
        Undrawn(place_name(at, site), place_name(ref, site), count, place_name(switch, site))
        for (at, ref, switch), count in sorted(counts.items())
    )


def schedule_html(site: Site) -> str:
    """Give the schedule as one page without any outside part."""
    rows = schedule(site)
    total_m = sum(row.length_m for row in rows)
    return render(
        "schedule.html",
        {"site": site, "rows": rows, "undrawn": undrawn(site), "total_m": total_m, "locale": site.site.locale},
    )


def schedule_csv(site: Site) -> str:
    """Give the schedule as CSV (RFC 4180: comma, CRLF) in which no cell can start a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in schedule(site):
        writer.writerow([safe_cell(getattr(row, column)) for column in COLUMNS])
    return out.getvalue()


def safe_cell(value: object) -> str:
    """Write one cell: numbers plain, truth as yes or no, text on one line and never a formula."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    text = harmless(str(value))
    return f"'{text}" if text.lstrip().startswith(_FORMULA_STARTS) else text
