"""`netaudit check SITE`: read a plan, say every fault with its line, what in it doesn't fit, or that it is sound."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "check",
        description="Read a site plan; print each fault as file:line (status 2), or what the plan holds and what in it doesn't "
        "fit (status 0: such a plan can be watched; `netaudit dimension` ends with 1).",
        epilog="example: netaudit check demo-output/site.toml",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--json", action="store_true", help="print the plan with every default filled in")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Load the plan and ask the ledger what doesn't fit; a fault ends in `main` as lines on standard error."""
    from netaudit.capacity.ledger import gather
    from netaudit.capacity.line import State
    from netaudit.cli.output import console, speak_utf8
    from netaudit.publish.text import harmless, place_name, told
    from netaudit.site.counted import counted
    from netaudit.site.load import load_site

    site = load_site(args.site)
    if args.json:
        speak_utf8()
        print(site.model_dump_json(indent=1))
        return 0
    ledger = gather(site)
    sound = ledger.state is not State.OVER
    holds = (
        counted(sum(device.count for device in site.device.values()), "device"),
        counted(len(site.segment), "segment"),
        counted(len(site.switch), "switch", "switches"),
        counted(len(site.access_point), "access point"),
        counted(len(site.closet), "closet"),
        counted(len(site.drop), "drop"),
    )
    stands = "sound" if sound else "can be read and is not sound"
    said = [f"{args.site}: {stands}. {harmless(site.site.name)}: {', '.join(holds)}."]
    if not sound:
        cautions = [("hazard", found) for found in ledger.hazards] + [("flaw", found) for found in ledger.flaws]
        said += [
            f"{word}: {place_name(found.place, site)}: {told(found.text, site.site.locale, site=site)}"
            for word, found in cautions
        ]
        over = sum(line.state is State.OVER for line in ledger.lines)
        found = (
            (len(ledger.hazards), "hazard"),
            (len(ledger.flaws), "flaw"),
            (over, "line over its supply", "lines over their supply"),
        )
        amounts = ", ".join(counted(*one) for one in found if one[0])
        said.append(f"{amounts}: netaudit dimension {args.site} says what to do.")
    out = console()
    for line in said:
        # One line for a program that reads it, folded for a person.
        out.print(line, markup=False, soft_wrap=not out.is_terminal)
    return 0
