"""`netaudit check SITE`: read a plan, say every fault with its line, or that it is sound."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "check",
        description="Read a site plan; print each fault as file:line, or what the plan holds.",
        epilog="example: netaudit check demo-output/site.toml",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--json", action="store_true", help="print the plan with every default filled in")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Load the plan; a fault ends in `main` as lines on standard error."""
    from netaudit.cli.output import console, speak_utf8
    from netaudit.publish.text import harmless
    from netaudit.site.counted import counted
    from netaudit.site.load import load_site

    site = load_site(args.site)
    if args.json:
        speak_utf8()
        print(site.model_dump_json(indent=1))
        return 0
    holds = (
        counted(sum(device.count for device in site.device.values()), "device"),
        counted(len(site.segment), "segment"),
        counted(len(site.switch), "switch", "switches"),
        counted(len(site.access_point), "access point"),
        counted(len(site.closet), "closet"),
        counted(len(site.drop), "drop"),
    )
    out = console()
    # One line for a program that reads it, folded for a person.
    out.print(
        f"{args.site}: sound. {harmless(site.site.name)}: {', '.join(holds)}.",
        markup=False,
        soft_wrap=not out.is_terminal,
    )
    return 0
