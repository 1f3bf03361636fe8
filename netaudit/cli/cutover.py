"""`netaudit cutover SITE --from FILE`: the plan of a move before it, and who is back during it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import print_json

if TYPE_CHECKING:
    import argparse

    from rich.console import Console
    from rich.table import Table

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.cutover import Progress, Row
    from netaudit.site.model import Site

# How often how it stands is shown.
EVERY_S = 5.0
# A sweep of a /24 with its retries takes four seconds at the usual pace of 200 frames/s; so it is a fifth of the time.
SWEEP_EVERY_S = 20.0
_CURE = "name another file with --page"


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    from netaudit.cli.evidence_input import add_span

    parser = subparsers.add_parser(
        "cutover",
        description="The night of the move: who is back, who is missing and what it needs, who is new, what clashes.",
        epilog="example: netaudit cutover demo-output/site.toml --from before-the-move.baseline.json --plan",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan of the new network, a TOML file")
    parser.add_argument("--from", dest="baseline", required=True, metavar="NAME", help="a baseline's file or name")
    parser.add_argument("--plan", action="store_true", help="write the plan of the move, and don't look")
    add_span(parser, "4h")
    parser.add_argument("--page", metavar="FILE", help="write how it stands as HTML too; again at each change")
    parser.add_argument("--json", action="store_true", help="print how it stands at the end as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Plan, or follow the move. Status 1: something remains."""
    from datetime import timedelta

    from netaudit.audit.moving.cutover import progress
    from netaudit.cli.evidence_input import from_store, seconds_of
    from netaudit.cli.output import write_whole
    from netaudit.publish.moving import render_cutover
    from netaudit.site.load import load_site

    site = load_site(args.site)
    baseline = _baseline(args, site)
    if args.plan:
        return _plan(args, baseline, site)
    seconds = seconds_of(args.span)
    if args.store:
        kept = from_store(site, args.store, seconds)
        evidence, late = kept.evidence, kept.late
    else:
        evidence, late = _follow(args, baseline, site, seconds), timedelta(0)
    found = progress(baseline, site, evidence, late=late)
    if args.page:
        write_whole(args.page, render_cutover(found, baseline, site, evidence.until), cure=_CURE)
    if args.json:
        print_json(found)
    else:
        _print_rest(found)
    return 0 if found.is_over else 1


def _baseline(args: argparse.Namespace, site: Site) -> Baseline:
    """Read the baseline: a file, else a name in the store."""
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.audit.moving.baseline import read_baseline
    from netaudit.cli.evidence_input import read_text
    from netaudit.cli.output import store_of
    from netaudit.errors import CaptureError
    from netaudit.store.store import Store

    named: str = args.baseline
    for path in (named, f"{named}.baseline.json"):
        if Path(path).is_file():
            return read_baseline(read_text(path), path)
    kept = store_of(args)
    if "://" in kept or Path(kept).exists():
        now = datetime.now(UTC)
        with Store.open(kept, site=site.site.name, clock=lambda: now) as store:
            for document in store.baselines():
                if document.key == named:
                    return read_baseline(document.document, f"{kept}: {named}")
    raise CaptureError(f"{named}: neither a file nor a baseline in {kept}; make one with netaudit baseline")


def _plan(args: argparse.Namespace, baseline: Baseline, site: Site) -> int:
    from pathlib import Path

    from netaudit.audit.moving.migration import plan_move
    from netaudit.cli.output import write_whole
    from netaudit.publish.moving import render_migration

    move = plan_move(baseline, site)
    path = args.page or str(Path(args.site).with_suffix(".move.html"))
    write_whole(path, render_migration(move, baseline, site), cure=_CURE)
    if args.json:
        print_json(move)
        return 0
    for number, step in enumerate(move.steps, 1):
        print(f"{number}. {step.title}\n   do     {step.do}\n   proof  {step.proof}\n   back   {step.back}")
    by_hand = sum(task.by_hand for task in move.tasks)
    need = f"{'device needs' if len(move.tasks) == 1 else 'devices need'} a hand"
    print(f"{by_hand} of {len(move.tasks)} {need}: the list is in {path}")
    return 0


def _follow(args: argparse.Namespace, baseline: Baseline, site: Site, seconds: float) -> Evidence:
    """Look, and show how it stands: a table that changes in place on a terminal, a line for each change elsewhere."""
    import asyncio
    import os

    from rich.live import Live

    from netaudit.audit.moving.cutover import progress
    from netaudit.cli.evidence_input import tell_span
    from netaudit.cli.output import console, write_whole
    from netaudit.daemon.collect import collect
    from netaudit.publish.moving import render_cutover, sentence
    from netaudit.publish.text import harmless

    out = console()
    live = Live(console=out, auto_refresh=False, transient=True) if out.is_terminal and not args.json else None
    before: dict[str, str] = {}

    def tell(evidence: Evidence) -> None:
        found = progress(baseline, site, evidence)
        if args.page:
            page = render_cutover(found, baseline, site, evidence.until, again_s=int(EVERY_S))
            write_whole(args.page, page, cure=_CURE)
        if live is not None:
            live.update(_table(found, sentence(found), out), refresh=True)
        elif not args.json:
            for row in found.rows:
                if before.get(row.mac or row.title) != row.stage.value:
                    print(harmless(_line(row), 200), flush=True)
                before[row.mac or row.title] = row.stage.value

    look = collect(
        site,
        seconds,
        environ=os.environ,
        every_s=EVERY_S,
        tell=tell,
        latest_every_s=min(SWEEP_EVERY_S, site.looking.sweep_every_s),
        until_stopped=True,
        begun=lambda: tell_span(seconds, "Ctrl-C ends it sooner and says how it stands"),
    )
    if live is None:
        return asyncio.run(look)
    with live:
        return asyncio.run(look)


def _line(row: Row) -> str:
    parts = [row.stage.value, row.title, row.now or row.was, row.segment or row.planned, row.note]
    return "  ".join(part for part in parts if part)


def _table(found: Progress, sentence: str, out: Console) -> Table:
    """Make the table of what needs a hand; as many rows as the terminal has room for."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from netaudit.audit.moving.cutover import STAGES
    from netaudit.publish.text import harmless

    counted = ", ".join(f"{found.count(stage)} {stage.value}" for stage in STAGES if found.count(stage))
    table = Table(title=f"{sentence} ({counted})", title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in ("stage", "device", "room", "address", "network", "needs"):
        table.add_column(column, overflow="ellipsis", no_wrap=column != "needs")
    room = max(5, out.height - 8)
    for row in found.rows[:room]:
        cells = (row.stage.value, row.title, row.room, row.now or row.was, row.segment or row.planned, row.note)
        table.add_row(*(Text(harmless(cell, 80)) for cell in cells))
    if len(found.rows) > room:
        table.caption = f"and {len(found.rows) - room} more"
    return table


def _print_rest(found: Progress) -> None:
    """Say how it stands, and what remains by room."""
    from netaudit.audit.moving.cutover import REMAINING, Stage
    from netaudit.publish.moving import sentence
    from netaudit.publish.text import harmless

    print(sentence(found))
    for said in found.clashes:
        print(f"- {harmless(said, 200)}")
    rooms: dict[str, list[Row]] = {}
    for row in found.rows:
        if row.stage in REMAINING:
            rooms.setdefault(row.room, []).append(row)
    for room, rows in sorted(rooms.items()):
        print(f"{harmless(room) or 'where, nobody knows'}:")
        for row in rows:
            print(f"- {harmless(_line(row), 200)}")
    if silent := [row for row in found.rows if row.stage is Stage.BACK and row.note]:
        print("back, and not yet as before:")
        for row in silent:
            print(f"- {harmless(_line(row), 200)}")
