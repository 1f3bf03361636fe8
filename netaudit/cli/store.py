"""`netaudit store TASK`: look after the database."""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse

    from netaudit.store.retain import Keep
    from netaudit.store.store import Store

# As good as for ever.
_CENTURY_DAYS = 36_525
EXAMPLES = "example: netaudit store backup demo-output/site.db mill-backup.db"


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command and its tasks."""
    parser = subparsers.add_parser("store", description="Look after the database of a site.", epilog=EXAMPLES)
    tasks = parser.add_subparsers(dest="task", metavar="TASK", required=True)

    task = tasks.add_parser(
        "check",
        description="Read the whole store and say what is wrong with it. The daemon may go on running.",
        epilog="example: netaudit store check demo-output/site.db",
    )
    _common(task)

    task = tasks.add_parser(
        "backup", description="Copy a store, in use or not, to one file of one moment.", epilog=EXAMPLES
    )
    _common(task)
    task.add_argument("file", metavar="FILE", help="the backup; an older one of the same site is replaced")

    task = tasks.add_parser(
        "restore",
        description="Put a backup in the place of a store; what was there is kept beside it. Stop the daemon first.",
        epilog="example: netaudit store restore demo-output/site.db mill-backup.db",
    )
    _common(task)
    task.add_argument("file", metavar="FILE", help="the backup")

    task = tasks.add_parser(
        "prune",
        description="Roll up what is over, then let go of what is older than what is kept: as [keeping] of the plan says "
        "that netaudit run watched by last.",
        epilog="example: netaudit store prune demo-output/site.db --raw 4",
    )
    _common(task)
    _site(task)
    for name, kept in (("raw", "samples"), ("hourly", "hours"), ("daily", "days of roll-ups")):
        task.add_argument(f"--{name}", type=_days, metavar="DAYS", help=f"keep {kept} so long")
    for name in ("presence", "names", "addresses", "notices"):
        task.add_argument(f"--{name}", type=_days, metavar="DAYS", help=f"keep {name} so long")

    task = tasks.add_parser(
        "forget",
        description="Remove a device from everywhere in the store. Older backups still know it; if it is still on the "
        "network, it will be seen again as a new one.",
        epilog="example: netaudit store forget demo-output/site.db 02:00:5e:ee:00:01",
    )
    _common(task)
    _site(task)
    task.add_argument("mac", metavar="MAC", help="the device's MAC, in any spelling")

    task = tasks.add_parser(
        "ship",
        description="Send what is new to the PostgreSQL that holds many sites. It may be broken off at any time. "
        "The password, if one is needed, is read from PGPASSWORD or the password file of PostgreSQL.",
        epilog="example: netaudit store ship demo-output/site.db postgresql://box7@centre.example/netaudit",
    )
    _common(task)
    _site(task)
    task.add_argument("centre", metavar="URL", help="postgresql://role@host/database")
    task.add_argument(
        "--admit", metavar="ROLE", help="as the centre's owner: let this role write this site, send nothing"
    )
    parser.set_defaults(func=run)


def _days(text: str) -> int:
    """Read whole days of a moment that a store can hold, for argparse."""
    from argparse import ArgumentTypeError

    with suppress(ValueError):
        if 1 <= (days := int(text)) <= _CENTURY_DAYS:
            return days
    raise ArgumentTypeError(f'"{text}": write whole days, from 1 to {_CENTURY_DAYS}')


def _common(task: argparse.ArgumentParser) -> None:
    task.add_argument("store", metavar="STORE", help="the file of the store")
    task.add_argument("--json", action="store_true", help="print one JSON document")


def _site(task: argparse.ArgumentParser) -> None:
    task.add_argument("--site", metavar="NAME", help="the site; needed only for a PostgreSQL, which holds many")


def run(args: argparse.Namespace) -> int:
    """Do the task and say what was done."""
    tasks = {
        "check": _check,
        "backup": _backup,
        "restore": _restore,
        "prune": _prune,
        "forget": _forget,
        "ship": _ship,
    }
    status, lines, document = tasks[args.task](args)
    if args.json:
        json.dump(document, sys.stdout, ensure_ascii=False)
        print()
    else:
        for line in lines:
            print(line)
    return status


Outcome = tuple[int, list[str], dict[str, Any]]


def _check(args: argparse.Namespace) -> Outcome:
    from netaudit.store.backup import check, file_of

    complaints = check(file_of(args.store))
    lines = complaints or [f"{args.store}: sound"]
    return (1 if complaints else 0), lines, {"store": args.store, "sound": not complaints, "complaints": complaints}


def _backup(args: argparse.Namespace) -> Outcome:
    from pathlib import Path

    from netaudit.store.backup import back_up, file_of

    done = back_up(file_of(args.store), Path(args.file))
    line = f"{args.file}: the store of {done.site}, {done.size_bytes / 1e6:.1f} MB, read through and sound"
    return 0, [line], {"file": args.file, "site": done.site, "size_bytes": done.size_bytes}


def _restore(args: argparse.Namespace) -> Outcome:
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.store.backup import file_of, restore

    former = restore(Path(args.file), file_of(args.store), datetime.now(UTC))
    lines = [f"{args.store}: is now what {args.file} holds"]
    if former is not None:
        lines.append(f"{former}: is what was there before; delete it when you need it no more")
    return 0, lines, {"store": args.store, "file": args.file, "former": None if former is None else str(former)}


def _prune(args: argparse.Namespace) -> Outcome:
    from dataclasses import replace

    names = ("raw", "hourly", "daily", "presence", "names", "addresses", "notices")
    given = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    with _open(args) as store:
        planned, unread = _planned(store, args.store)
        store.keep = replace(planned, **given)
        now = store.now()
        rolled = store.rollup(now)
        removed = store.prune(now)
    if unread:
        sys.stderr.write(f"{unread}\n")
    lines = [f"{rolled} hours and days of series rolled up", *_counts(removed, "removed")]
    return 0, lines, {"store": args.store, "rolled_up": rolled, "removed": removed}


def _planned(store: Store, where: str) -> tuple[Keep, str]:
    """Give how long the plan keeps what, by which the store's box watches; and what is to be said where it can't be read."""
    from dataclasses import fields

    from netaudit.audit.seen import keep_of
    from netaudit.errors import PlanError
    from netaudit.site.load import parse_site
    from netaudit.store.engine import address_of
    from netaudit.store.retain import Keep

    # A centre's parts hold all sites: the plan of one may not decide on them.
    plan = store.plan() if address_of(where).get_backend_name() == "sqlite" else None
    try:
        return (Keep() if plan is None else keep_of(parse_site(plan.document))), ""
    except PlanError as error:
        unread = (
            f"{where}: this program can't read the plan that was kept ({error.message}): nothing is removed but by --raw and "
            "the like; let netaudit run take the plan anew"
        )
        for_ever = {one.name: None for one in fields(Keep) if one.name != "raw"}
        return Keep(raw=_CENTURY_DAYS, **for_ever), unread


def _forget(args: argparse.Namespace) -> Outcome:
    with _open(args) as store:
        changed = store.forget(args.mac)
    lines = _counts(changed, "removed or blacked out") if changed else [f"{args.mac}: nothing is known of it"]
    return 0, lines, {"store": args.store, "mac": args.mac, "changed": changed}


def _ship(args: argparse.Namespace) -> Outcome:
    from netaudit.store.ship import admit

    with _open(args) as store:
        if args.admit:
            admit(args.centre, store.site, args.admit, int(store.now().timestamp()))
            line = f"{args.admit}: may write the rows of {store.site} and no others"
            return 0, [line], {"site": store.site, "role": args.admit}
        sent = store.ship(args.centre, store.now())
    lines = _counts(sent, "sent") or ["nothing is new"]
    return 0, lines, {"store": args.store, "sent": sent}


def _counts(rows: dict[str, int], word: str) -> list[str]:
    return [f"{name}: {count} {word}" for name, count in sorted(rows.items())]


def _open(args: argparse.Namespace) -> Store:
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.errors import StoreError
    from netaudit.store.backup import look_through
    from netaudit.store.engine import address_of
    from netaudit.store.store import Store

    site = args.site
    url = address_of(args.store)
    if url.get_backend_name() == "sqlite":
        path = Path(url.database or "")
        # Not to make an empty store where a name was mistyped.
        site = site or look_through(path).site
    if not site:
        raise StoreError(f"{args.store}: which site? name it with --site")
    return Store.open(args.store, site=site, clock=lambda: datetime.now(UTC))
