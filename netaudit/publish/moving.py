"""Papers of a move: the inventory to tick, the plan with its steps and ways back, and the state of the night as a page."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from netaudit.audit.moving.cutover import REMAINING, Stage
from netaudit.publish.template import render
from netaudit.publish.text import capital, place_name

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.cutover import Progress, Row
    from netaudit.audit.moving.migration import Migration
    from netaudit.site.model import Site

# Nothing of the plan or the wire: the class that colours a stage, as a word always stands beside it.
COLOURS = {
    Stage.MISSING: "over",
    Stage.UNSURE: "tight",
    Stage.ELSEWHERE: "tight",
    Stage.BACK: "within",
    Stage.AWAY: "unmeasured",
    Stage.NEW: "unmeasured",
}
MEANINGS = {
    Stage.MISSING: "was there before, or is planned, and is not seen",
    Stage.UNSURE: "something with its name is there: go and look",
    Stage.ELSEWHERE: "is back, but on another network than planned",
    Stage.BACK: "is back where it belongs",
    Stage.AWAY: "comes and goes, or belonged to the old network",
    Stage.NEW: "was not there before",
}


@dataclass(frozen=True, slots=True)
class Room:
    """Some devices of one room; `back` of `expected` of all its devices are where they belong."""

    title: str
    rows: tuple[Row, ...]
    back: int
    expected: int


@dataclass(frozen=True, slots=True)
class NightView:
    """
    A move as it is shown.

    share      of those that must come back: are back where they belong
    stages     stage, the class that colours it, its meaning, how many devices
    remaining  what needs a hand; others: the rest in groups, each with its name and its number of devices
    """

    sentence: str
    share: float
    over: bool
    clashes: tuple[str, ...]
    stages: tuple[tuple[Stage, str, str, int], ...]
    remaining: tuple[Room, ...]
    others: tuple[tuple[str, tuple[Room, ...], int], ...]


def night_view(progress: Progress, site: Site) -> NightView:
    """Sort a move by what is to be done, and that by rooms, those that nobody knows last."""
    rows = progress.rows
    back: defaultdict[str, int] = defaultdict(int)
    expected: defaultdict[str, int] = defaultdict(int)
    for row in rows:
        back[row.room] += row.stage is Stage.BACK
        expected[row.room] += row.stage is Stage.BACK or row.stage in REMAINING

    def rooms(chosen: Iterable[Row]) -> tuple[Room, ...]:
        listed = sorted(chosen, key=lambda row: (row.room == "", row.room))
        return tuple(
            Room(
                capital(place_name(f"room:{name}", site)) if name else "Where these are isn't known",
                tuple(group),
                back[name],
                expected[name],
            )
            for name, group in groupby(listed, key=lambda row: row.room)
        )

    others = {
        "New": [row for row in rows if row.stage is Stage.NEW],
        "Back, and not yet as before": [row for row in rows if row.stage is Stage.BACK and row.note],
        "Back": [row for row in rows if row.stage is Stage.BACK and not row.note],
        "May be away": [row for row in rows if row.stage is Stage.AWAY],
    }
    return NightView(
        sentence=sentence(progress),
        share=progress.done_share,
        over=progress.is_over,
        clashes=progress.clashes,
        stages=tuple((stage, COLOURS[stage], MEANINGS[stage], progress.count(stage)) for stage in Stage),
        remaining=rooms(row for row in rows if row.stage in REMAINING),
        others=tuple((name, rooms(chosen), len(chosen)) for name, chosen in others.items()),
    )


def night_values(progress: Progress, site: Site) -> dict[str, Any]:
    """Give what the parts of `moving.html` need to show a move."""
    return {"night": night_view(progress, site), "colours": COLOURS}


def render_inventory(baseline: Baseline, site: Site) -> str:
    """Give the list of what is there, room by room, with boxes to tick by hand."""
    # Whose room nobody knows come last: they are the ones to look for.
    devices = sorted(baseline.devices, key=lambda one: (one.room == "", one.room, one.kind, one.title))
    rooms = [(room, list(group)) for room, group in groupby(devices, key=lambda one: one.room)]
    values = {"site": site, "header": site.site, "baseline": baseline, "rooms": rooms, "count": len(devices)}
    return render("inventory.html", values)


def render_migration(move: Migration, baseline: Baseline, site: Site) -> str:
    """Give the plan of the move to take along."""
    return render("migration.html", {"site": site, "header": site.site, "baseline": baseline, "move": move})


def render_cutover(
    progress: Progress, baseline: Baseline, site: Site, at: datetime, *, again_s: int | None = None
) -> str:
    """
    Give the state of the night.

    Args:      again_s: the page asks for itself anew so often; None when the night is over.
    """
    return render(
        "cutover.html",
        {
            "site": site,
            "header": site.site,
            "baseline": baseline,
            **night_values(progress, site),
            "at": at,
            "again_s": again_s,
        },
    )


def sentence(progress: Progress) -> str:
    """Say in one sentence how far the move is."""
    done = progress.count(Stage.BACK)
    if progress.is_over:
        if done < 2:
            return "The only one is back where it belongs" if done else "Nothing has to come back"
        return f"All {done} are back where they belong"
    left = progress.expected - done
    parts = [f"{done} of {progress.expected} {'is' if done == 1 else 'are'} back"]
    if left:
        parts.append(f"{left} to go")
    if progress.clashes:
        parts.append(
            f"{len(progress.clashes)} {'address clashes' if len(progress.clashes) == 1 else 'addresses clash'}"
        )
    return ", ".join(parts)
