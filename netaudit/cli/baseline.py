"""`netaudit baseline SITE NAME`: freeze what is there, before anything is changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import print_json
from netaudit.site.counted import counted

if TYPE_CHECKING:
    import argparse


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    from netaudit.cli.evidence_input import add_span

    parser = subparsers.add_parser(
        "baseline",
        description="Freeze what is there: devices, names, addresses, delay and loss, who leases addresses.",
        epilog="example: netaudit baseline demo-output/site.toml before-the-move --from demo-output/captures/wired.pcap",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("name", metavar="NAME", help="what to call it")
    add_span(parser, "24h")
    parser.add_argument(
        "--from", dest="files", nargs="+", metavar="FILE", help="take capture files, instead of looking"
    )
    parser.add_argument(
        "--keep",
        metavar="STORE",
        help="keep it in this database too, for the page of its watch; --store does so anyway",
    )
    parser.add_argument("--out", metavar="FOLDER", default=".", help="where to write it; here when left out")
    parser.add_argument("--json", action="store_true", help="print the baseline as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Freeze, write the file and the list to tick; into a store too, when one is named."""
    import json
    import re
    from pathlib import Path

    from netaudit.audit.moving.baseline import freeze_baseline, write_baseline
    from netaudit.cli.evidence_input import by_looking, from_captures, from_store, seconds_of
    from netaudit.cli.output import need_folder, write_whole
    from netaudit.errors import OutOfRange, StoreError
    from netaudit.publish.moving import render_inventory
    from netaudit.site.load import load_site

    if not re.fullmatch(r"[\w][\w.-]{0,47}", args.name):
        raise OutOfRange(f'NAME "{args.name}": write letters, digits, dots and dashes, at most 48')
    if args.files and args.store:
        raise OutOfRange("--from and --store are two sources: name one")
    if args.keep and "://" not in args.keep and not Path(args.keep).exists():
        # Now, and not after a day of looking.
        raise StoreError(f'{args.keep}: is not there; let "netaudit run" make it')
    kept, listed = (str(Path(args.out) / f"{args.name}.baseline.{end}") for end in ("json", "html"))
    if Path(kept).exists():
        # What was there before the move is never seen again: a second call with the same words must not be its end.
        raise OutOfRange(
            f"{kept}: is there already and a baseline overwrites none; write another NAME, or move that away"
        )
    site = load_site(args.site)
    seconds = seconds_of(args.span)
    need_folder(args.out)
    if args.files:
        found = from_captures(site, args.files)
    elif args.store:
        found = from_store(site, args.store, seconds)
    else:
        found = by_looking(site, seconds)
    baseline = freeze_baseline(
        args.name, site, found.evidence, source=found.source, kinds=found.kinds, ssids=found.ssids
    )
    text = write_baseline(baseline)
    write_whole(kept, text)
    write_whole(listed, render_inventory(baseline, site))
    for path in {args.store, args.keep} - {None}:
        _keep(site.site.name, path, args.name, text)
    if args.json:
        print_json(json.loads(text))
    else:
        print(f"{counted(len(baseline.devices), 'device')}, from {found.source}")
        print(f"wrote {kept}\nwrote {listed}")
    return 0


def _keep(site: str, path: str, name: str, text: str) -> None:
    from datetime import UTC, datetime

    from netaudit.store.store import Store

    now = datetime.now(UTC)
    with Store.open(path, site=site, clock=lambda: now) as store:
        store.save_baseline(name, text, now)
