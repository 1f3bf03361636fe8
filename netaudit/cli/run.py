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
        "Needs CAP_NET_RAW; ends cleanly on SIGTERM.",
        epilog="example: netaudit run site.toml --store /var/lib/netaudit/site.db",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan; its segments name this box's interfaces")
    parser.add_argument("--store", metavar="PATH", help="the database; beside the plan when left out")
    parser.add_argument("--reports", metavar="FOLDER", help="weekly reports; beside the database when left out")
    parser.add_argument("--json", action="store_true", help="print where it serves as one JSON document when ready")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Wire the daemon, install its signals, run it."""
    import asyncio
    import logging
    from pathlib import Path

    from netaudit.audit.seen import tolerance_of
    from netaudit.capacity.ledger import gather
    from netaudit.cli.output import store_of
    from netaudit.daemon.looks import utc_now
    from netaudit.daemon.watch import Plan, Watch
    from netaudit.site.load import parse_site, read_plan
    from netaudit.store.store import Store

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("netaudit").setLevel(logging.INFO)
    text = read_plan(args.site)
    site = parse_site(text, args.site)
    kept_at = store_of(args)
    reports = Path(args.reports) if args.reports else Path(kept_at).parent / "reports"
    plan = Plan(Path(args.site), site, text, gather(site))
    with Store.open(kept_at, site=site.site.name, clock=utc_now, tolerance=tolerance_of(site)) as store:
        asyncio.run(_watch(Watch(plan, store, kept_at, reports), as_json=args.json))
    return 0


async def _watch(watch: Watch, *, as_json: bool) -> None:
    import asyncio
    import signal

    from netaudit.cli.output import print_json

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    serving = watch.plan.site.serving
    host = f"[{serving.host}]" if ":" in serving.host else serving.host
    scheme = "http" if serving.certificate is None else "https"
    url = f"{scheme}://{host}:{watch.server.port}/"

    def ready() -> None:
        if as_json:
            print_json({"page": url, "metrics": f"{url}metrics", "store": watch.kept_at})
        else:
            print(f"watching {watch.plan.site.site.name}; page {url}, metrics {url}metrics", flush=True)

    await watch.run(stop, ready)
