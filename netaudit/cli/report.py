"""`netaudit report SITE`: the weekly report from what was kept; with --all that of every site of a store, and one list."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from netaudit.cli.output import print_json
from netaudit.publish.silence import SILENT_AFTER_H

if TYPE_CHECKING:
    import argparse
    from datetime import datetime, timedelta
    from pathlib import Path

    from netaudit.publish.fleet import Glance
    from netaudit.publish.report_data import WeekReport
    from netaudit.site.model import Site
    from netaudit.store.fleet import Fleet, News
    from netaudit.store.store import Store


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "report",
        description="Write the report of a week: counts against capacity, headroom, delay, presence, findings.",
        epilog="example: netaudit report demo-output/site.toml --week 2026-W11",
    )
    parser.add_argument("site", metavar="SITE", nargs="?", help="the site plan, a TOML file")
    parser.add_argument(
        "--all",
        action="store_true",
        help="of every site in --store (a PostgreSQL, a file, a folder of files), by the plans that are kept there",
    )
    parser.add_argument("--week", metavar="YEAR-Wnn", help="ISO week; the last whole one when left out")
    parser.add_argument("--store", metavar="PATH", help="the database; beside the plan when left out")
    parser.add_argument("--out", metavar="FOLDER", default=".", help="where to write it; here when left out")
    parser.add_argument("--pdf", action="store_true", help="write it as PDF too; needs the extra netaudit[pdf]")
    parser.add_argument(
        "--silent-after",
        type=float,
        default=SILENT_AFTER_H,
        metavar="HOURS",
        help=f"with --all: a box not heard for longer is silent; {SILENT_AFTER_H:g}",
    )
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """
    Read the week from the store and write one HTML file, and a PDF beside it where asked for; with --all for each site.

    Raises:    StoreError: the store can't be read; NetauditError: the folder can't be written, or a PDF can't be made.
    """
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.cli.output import store_of
    from netaudit.errors import OutOfRange
    from netaudit.publish.summary import summarise
    from netaudit.publish.text import unticked
    from netaudit.site.load import load_site
    from netaudit.store.store import Store

    if args.all == (args.site is not None):
        raise OutOfRange("write the plan of one site, or --all with --store and no plan")
    if args.all:
        return _run_all(args)
    site = load_site(args.site)
    now = datetime.now(UTC)
    with Store.open(store_of(args, must_exist=True), site=site.site.name, clock=lambda: now) as store:
        data, page = _read_one(args, site, store, now)
    files = _write_one(args, data, page, Path(args.out))
    if args.json:
        written = [str(path) for path in files]
        summary = summarise(site, data.standings, data.hazards, data.flaws, data.findings)
        print_json(
            {
                "report": written[0],
                "written": written,
                "since": data.since,
                "until": data.until,
                "findings": len(data.findings),
                "sentence": summary.sentence,
                "to_do": [unticked(one.text) for one in summary.to_do],
            }
        )
    else:
        for path in files:
            print(f"wrote {path}")
    return 0


def _read_one(args: argparse.Namespace, site: Site, store: Store, now: datetime) -> tuple[WeekReport, str]:
    """Read a site's week and give it, and as a page."""
    from netaudit.capacity.ledger import gather
    from netaudit.publish.report import render_report
    from netaudit.publish.week import gather_week, last_week

    zone = site.site.time_zone
    week = last_week(now, zone) if args.week is None else _week(args.week, zone, now)
    data = gather_week(site, gather(site), store, week, now)
    return data, render_report(data)


def _write_one(args: argparse.Namespace, data: WeekReport, page: str, folder: Path) -> list[Path]:
    """Write a site's week; gives the files, the page first."""
    from netaudit.cli.output import write_whole

    name = f"week-{data.since:%G-W%V}"
    files = {folder / f"{name}.html": page.encode()}
    if args.pdf:
        from netaudit.publish.pdf import to_pdf

        files[folder / f"{name}.pdf"] = to_pdf(page)
    for path, content in files.items():
        write_whole(path, content)
    return list(files)


def _run_all(args: argparse.Namespace) -> int:
    """Write the report of one site after the other, then the list. Status 1: a site has no report, and the list says why."""
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.cli.output import write_whole
    from netaudit.errors import OutOfRange
    from netaudit.publish.fleet import render_sites, worst_first
    from netaudit.publish.silence import silent_after
    from netaudit.publish.week import last_week
    from netaudit.store.fleet import Fleet

    if args.store is None:
        raise OutOfRange("--all needs --store: a PostgreSQL that boxes ship to, a file, or a folder of such files")
    longest = silent_after(args.silent_after)
    now = datetime.now(UTC)
    since, _ = last_week(now, "UTC") if args.week is None else _week(args.week, "UTC", now)
    week, folder = f"{since:%G-W%V}", Path(args.out)
    with Fleet.open(args.store, clock=lambda: now) as fleet:
        found = fleet.news()
        entries = worst_first(_report_of(args, fleet, one, now, longest) for one in found)
    listed = folder / f"sites-{week}.html"
    write_whole(listed, render_sites(entries, week, now))
    if args.json:
        print_json({"list": str(listed), "week": week, "sites": entries})
    else:
        for one in entries:
            print(f"{one.name}: {one.word}; {one.trouble or f'wrote {folder / one.report}'}")
        print(f"wrote {listed}")
    return 1 if any(one.trouble for one in entries) else 0


def _report_of(args: argparse.Namespace, fleet: Fleet, news: News, now: datetime, silent_after: timedelta) -> Glance:
    """Write one site's report, if it can be read; gives its line of the list."""
    from dataclasses import replace
    from pathlib import Path

    from netaudit.errors import StoreError
    from netaudit.publish.fleet import folder_of, glance, read_site, with_report

    one = glance(news, now, silent_after)
    if news.trouble:
        return one
    trouble = ""
    try:
        store = fleet.store(news.key)
        data, page = _read_one(args, read_site(store.plan(), news.name), store, now)
    except StoreError as error:
        trouble = str(error)
    except Exception as error:  # noqa: BLE001 - a box may write what it likes: the other sites have their reports all the same
        trouble = f"a report can't be made of what its box wrote: {type(error).__name__}: {error}"
    if trouble:
        return glance(replace(news, trouble=trouble), now, silent_after)
    folder = Path(args.out)
    files = _write_one(args, data, page, folder / folder_of(news.key, news.name))
    return with_report(one, data, files[0].relative_to(folder).as_posix())


def _week(written: str, zone: str, now: datetime) -> tuple[datetime, datetime]:
    """Read an ISO week such as 2026-W47 that has begun."""
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
    week = week_of(datetime.combine(monday, time(12), ZoneInfo(zone)), zone)
    if week[0] > now:
        raise OutOfRange(
            f"--week {written} has not begun yet; the present one is {now.astimezone(ZoneInfo(zone)):%G-W%V}"
        )
    return week
