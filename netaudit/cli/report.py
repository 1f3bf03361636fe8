"""`netaudit report SITE`: the weekly report from what was kept."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from netaudit.cli.output import print_json

if TYPE_CHECKING:
    import argparse
    from datetime import datetime


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "report",
        description="Write the report of a week: counts against capacity, headroom, delay, presence, findings.",
        epilog="example: netaudit report demo-output/site.toml --week 2026-W11",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--week", metavar="YEAR-Wnn", help="ISO week; the last whole one when left out")
    parser.add_argument("--store", metavar="PATH", help="the database; beside the plan when left out")
    parser.add_argument("--out", metavar="FOLDER", default=".", help="where to write it; here when left out")
    parser.add_argument("--pdf", action="store_true", help="write it as PDF too; needs the extra netaudit[pdf]")
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """
    Read the week from the store and write one HTML file, and a PDF beside it where asked for.

    Raises:    StoreError: the store can't be read; NetauditError: the folder can't be written, or a PDF can't be made.
    """
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.capacity.ledger import gather
    from netaudit.cli.output import store_of, write_whole
    from netaudit.publish.report import render_report
    from netaudit.publish.summary import summarise
    from netaudit.publish.week import gather_week, last_week
    from netaudit.site.load import load_site
    from netaudit.store.store import Store

    site = load_site(args.site)
    now = datetime.now(UTC)
    zone = site.site.time_zone
    week = last_week(now, zone) if args.week is None else _week(args.week, zone)
    with Store.open(store_of(args, must_exist=True), site=site.site.name, clock=lambda: now) as store:
        data = gather_week(site, gather(site), store, week, now)
    folder = Path(args.out)
    page = render_report(data)
    name = f"week-{week[0]:%G-W%V}"
    files = {folder / f"{name}.html": page.encode()}
    if args.pdf:
        from netaudit.publish.pdf import to_pdf

        files[folder / f"{name}.pdf"] = to_pdf(page)
    for path, content in files.items():
        write_whole(path, content)
    if args.json:
        written = [str(path) for path in files]
        summary = summarise(site, data.standings, data.hazards, data.flaws, data.findings)
        print_json(
            {
                "report": written[0],
                "written": written,
                "since": week[0],
                "until": week[1],
                "findings": len(data.findings),
                "sentence": summary.sentence,
                "to_do": [one.text for one in summary.to_do],
            }
        )
    else:
        for path in files:
            print(f"wrote {path}")
    return 0


def _week(written: str, zone: str) -> tuple[datetime, datetime]:
    """Read an ISO week such as 2026-W47."""
    from datetime import date, datetime, time
    from zoneinfo import ZoneInfo

    from netaudit.errors import OutOfRange
    from netaudit.publish.week import week_of

    match = re.fullmatch(r"(\d{4})-W(\d{2})", written)
    try:
        monday = date.fromisocalendar(int(match[1]), int(match[2]), 1) if match else None
    except ValueError:
        monday = None
    if monday is None:
        raise OutOfRange(f'--week "{written}" is no ISO week; write one such as 2026-W47')
    return week_of(datetime.combine(monday, time(12), ZoneInfo(zone)), zone)
