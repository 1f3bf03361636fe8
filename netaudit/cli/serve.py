"""`netaudit serve STORE`: the pages of all sites of a store, read-only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.publish.silence import SILENT_AFTER_H

if TYPE_CHECKING:
    import argparse

    from netaudit.site.model import Serving


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "serve",
        description="Show all sites of a store on one page, and below each its own: as of what its box has shipped last. "
        "Nothing can be changed there. SIGTERM ends it.",
        epilog="example: netaudit serve postgresql://reader@centre.example/netaudit",
    )
    parser.add_argument(
        "store", metavar="STORE", help="a PostgreSQL that boxes ship to, a store's file, or a folder of such"
    )
    parser.add_argument("--reports", metavar="FOLDER", help="where `netaudit report --all` writes, to show its reports")
    parser.add_argument(
        "--silent-after",
        type=float,
        default=SILENT_AFTER_H,
        metavar="HOURS",
        help=f"a box not heard for longer is silent; {SILENT_AFTER_H:g} unless given",
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on; loopback unless given")
    parser.add_argument("--port", type=int, default=9817, help="TCP port, 9817 unless given; 0 takes a free one")
    parser.add_argument("--name", action="append", default=[], help="a further name under which a browser may call it")
    parser.add_argument(
        "--token-env", metavar="VARIABLE", help="environment variable with the token; needed beyond loopback"
    )
    parser.add_argument("--certificate", metavar="FILE", help="TLS certificate, a PEM file")
    parser.add_argument("--key", metavar="FILE", help="its private key, a PEM file")
    parser.add_argument("--behind-proxy", action="store_true", help="a proxy on this machine does the TLS")
    parser.add_argument(
        "--admit", metavar="ROLE", help="as the centre's owner: let this role read all sites, serve nothing"
    )
    parser.add_argument("--json", action="store_true", help="print where it serves as one JSON document when ready")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """
    Serve until told to end.

    Raises:    StoreError: the store can't be read; LookError: it can't be served as asked for; OutOfRange: the token is short, or another
               number is none.
    """
    import asyncio
    import os
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.cli.output import print_json
    from netaudit.daemon.central import serve_central
    from netaudit.daemon.serve import access_of
    from netaudit.publish.fleet_page import make_fleet_app
    from netaudit.publish.silence import silent_after
    from netaudit.site.counted import counted
    from netaudit.store.fleet import Fleet, admit_reader

    if args.admit:
        admit_reader(args.store, args.admit)
        line = f"{args.admit}: may read all sites and write nothing"
        print_json({"role": args.admit}) if args.json else print(line)
        return 0
    serving, longest = _serving(args), silent_after(args.silent_after)
    access = access_of(serving, os.environ)

    def ready(url: str) -> None:
        if args.json:
            print_json({"page": url})
        else:
            print(f"serving {counted(count, 'site')}; page {url}", flush=True)

    with Fleet.open(args.store, clock=lambda: datetime.now(UTC)) as fleet:
        # Now, while somebody is looking, and not when the first page is asked for.
        count = len(fleet.news())
        app = make_fleet_app(
            fleet,
            reports=Path(args.reports) if args.reports else None,
            hosts=(serving.host, *serving.names),
            access=access,
            silent_after=longest,
        )
        asyncio.run(serve_central(app, serving, ready))
    return 0


def _serving(args: argparse.Namespace) -> Serving:
    """
    Hold the call against the same law as a plan's `[serving]`: beyond loopback a token, and TLS of ours or of a proxy's.

    Raises:    OutOfRange: it does not keep it.
    """
    from netaudit.errors import OutOfRange
    from netaudit.site.model import Serving
    from netaudit.site.ranges import is_loopback

    beyond = args.behind_proxy or not is_loopback(args.host)
    if (args.certificate is None) != (args.key is None):
        raise OutOfRange("TLS needs both --certificate and --key, each a PEM file")
    if args.certificate is not None and args.behind_proxy:
        raise OutOfRange("--certificate stands beside --behind-proxy: let either the proxy or this do the TLS")
    if beyond and args.token_env is None:
        raise OutOfRange(
            "others can reach the page then: add --token-env NETAUDIT_TOKEN, and put a long random text in that variable"
        )
    if beyond and not args.behind_proxy and args.certificate is None:
        raise OutOfRange("others on the way could read the token: add --certificate and --key, or --behind-proxy")
    if not 0 <= args.port <= 65535:
        raise OutOfRange(f"--port {args.port}: write 0 to 65535")
    return Serving(
        host=args.host,
        port=args.port,
        names=tuple(args.name),
        token_env=args.token_env,
        certificate=args.certificate,
        key=args.key,
        behind_proxy=args.behind_proxy,
    )
