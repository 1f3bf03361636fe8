"""`netaudit run SITE`: watch the site until told to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from netaudit.daemon.watch import Watch


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "run",
        description="Watch the site: look politely, keep, judge against the plan, serve page and metrics. "
        "Needs CAP_NET_RAW. SIGHUP takes a changed plan, SIGTERM ends it cleanly.",
        epilog="example: netaudit run site.toml --store /var/lib/netaudit/site.db",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan; its segments name this box's interfaces")
    parser.add_argument("--store", metavar="PATH", help="the database; beside the plan when left out")
    parser.add_argument("--reports", metavar="FOLDER", help="weekly reports; beside the database when left out")
    parser.add_argument("--json", action="store_true", help="print where it serves as one JSON document when ready")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Wire the daemon and let it live."""
    from netaudit.daemon.orders import Orders

    # Before everything else: what is imported below takes a second, on a slow box ten.
    orders = Orders()

    import logging
    import os
    from pathlib import Path

    from netaudit.cli.output import print_json, store_of
    from netaudit.daemon.reload import Life

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("netaudit").setLevel(logging.INFO)
    # Turns that are left out are told by the schedule, in words that name the job.
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    kept_at = store_of(args)

    def ready(watch: Watch, first: bool) -> None:  # noqa: FBT001 - called by the daemon, by position
        name = watch.plan.site.site.name
        if not first:
            logging.getLogger("netaudit").info("watching %s again; page %s", name, watch.url)
        elif args.json:
            print_json({"page": watch.url, "metrics": f"{watch.url}metrics", "store": kept_at})
        else:
            print(f"watching {name}; page {watch.url}, metrics {watch.url}metrics", flush=True)

    reports = Path(args.reports) if args.reports else Path(kept_at).parent / "reports"
    Life(Path(args.site), kept_at, reports, os.environ, ready, orders).live()
    return 0
