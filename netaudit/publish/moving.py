"""Papers of a move: the inventory to tick, the plan with its steps and ways back, and the state of the night as a page."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from netaudit.audit.moving.cutover import REMAINING, Stage
from netaudit.publish.template import render

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.cutover import Progress
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
    Stage.UNSURE: "somebody with its name or identifier is there; a person must look",
    Stage.ELSEWHERE: "is back on another network than planned",
    Stage.BACK: "is back where it belongs",
    Stage.AWAY: "comes and goes, or served the old network",
    Stage.NEW: "was not there before",
}


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
            "progress": progress,
            "sentence": sentence(progress),
            "stages": [(stage, COLOURS[stage], MEANINGS[stage], progress.count(stage)) for stage in Stage],
            "colours": COLOURS,
            "remaining": REMAINING,
            "at": at,
            "again_s": again_s,
        },
    )


def sentence(progress: Progress) -> str:
    """Say in one sentence how far the move is."""
    done = progress.count(Stage.BACK)
    if progress.is_over:
        return f"All {done} are back where they belong"
    left = progress.expected - done
    parts = [f"{done} of {progress.expected} are back"]
    if left:
        parts.append(f"{left} to go")
    if progress.clashes:
        parts.append(
            f"{len(progress.clashes)} {'address clashes' if len(progress.clashes) == 1 else 'addresses clash'}"
        )
    return ", ".join(parts)
