"""`netaudit draw SITE`: write the drawing, the floors, and the cable and patch schedule."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "draw",
        description="Write the site's drawing (SVG, PNG), its floors, and the cable and patch schedule (HTML, CSV).",
        epilog="example: netaudit draw demo-output/site.toml --out drawings",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--out", metavar="FOLDER", default=".", help="where to write; made if absent (default: here)")
    parser.add_argument("--json", action="store_true", help="print the names of what was written as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """
    Load the plan, write everything, name it.

    Raises:    PlanError: the plan has a fault; NetauditError: the folder can't be written.
    """
    from netaudit.capacity.ledger import gather
    from netaudit.cli.output import print_json, write_whole
    from netaudit.publish.portfolio import portfolio
    from netaudit.site.load import load_site

    site = load_site(args.site)
    sheets = portfolio(site, gather(site))
    folder = Path(args.out)
    for name, data in sheets.files.items():
        write_whole(folder / name, data)
    written = [str(folder / name) for name in sheets.files]
    if args.json:
        print_json({"written": written, "left_out": list(sheets.left_out)})
        return 0
    for name in written:
        print(name)
    for reason in sheets.left_out:
        print(f"left out: {reason}")
    return 0
