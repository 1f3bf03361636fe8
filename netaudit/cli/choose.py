"""`netaudit choose SITE EQUIPMENT`: the cheapest equipment that carries the plan, and options beside it."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from netaudit.cli.output import console, print_json

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from rich.console import Console

    from netaudit.capacity.choose.frontier import Frontier, Offer, Wish
    from netaudit.site.model import Site


# Columns of a terminal as it opens; tables and sentences keep to it.
WIDTH = 80
# Letters of one sentence: a large site's refusal or step names dozens of things, and nobody reads on for ever.
_LONGEST = 3000
# Time to look for one option: all plans of a house are through in a second or two, and nobody waits much longer for a table.
PATIENCE_S = 20.0


def seconds(text: str) -> float:
    """Read a time of a second or more, for argparse."""
    from argparse import ArgumentTypeError

    with suppress(ValueError):
        if 1.0 <= (value := float(text)) <= 86_400.0:
            return value
    raise ArgumentTypeError(f'"{text}": write seconds, from 1 to 86400')


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "choose",
        description="Choose from equipment sheets the cheapest set whose ledger has no line over its ceiling, with growth;\n"
        "show it beside dearer and cheaper ones. Exit 1 when no set carries the plan.",
        epilog="example: netaudit choose demo-output/site.toml demo-output/equipment.toml --as-drawn",
    )
    parser.add_argument(
        "site", metavar="SITE", help="the site plan; what it leaves out is chosen, what says keep = true stays"
    )
    parser.add_argument("equipment", metavar="EQUIPMENT", help="the equipment sheets, a TOML file")
    parser.add_argument("--as-drawn", action="store_true", help="price the plan as it is drawn beside the options")
    parser.add_argument("--option", metavar="NAME", default="grown", help="option to write (grown when left out)")
    parser.add_argument("--write", metavar="FILE", help="write the plan with that option's equipment")
    parser.add_argument(
        "--patience",
        metavar="SECONDS",
        type=seconds,
        default=PATIENCE_S,
        help=f"time to look for each option ({PATIENCE_S:g} when left out); then the best found is shown with what is proven",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Choose, print, write."""
    from dataclasses import replace
    from pathlib import Path

    from netaudit.capacity.choose.frontier import GROWN, as_drawn, frontier
    from netaudit.errors import NoSolution, OutOfRange
    from netaudit.site.document import parse_toml
    from netaudit.site.equipment import load_equipment
    from netaudit.site.load import read_plan

    text = read_plan(args.site)
    for path in (args.site, args.equipment):
        # A person's own text has comments, and is what the next choice begins with.
        if args.write is not None and Path(args.write).exists() and Path(args.write).samefile(path):
            raise OutOfRange(f"--write {args.write}: is what is read; name another file")
    raw = parse_toml(text, args.site)
    equipment = load_equipment(args.equipment)
    found = frontier(raw, equipment, file=args.site, text=text, watch=lambda: _for(args.patience))
    written = found.offer(args.option)
    if args.as_drawn:
        drawn = as_drawn(raw, file=args.site, text=text)
        found = replace(found, offers=tuple(sorted((*found.offers, drawn), key=lambda one: one.figures.price)))
    if args.json:
        print_json(_document(found))
    else:
        _print(console(), found, raw["site"].get("locale", "en"))
    if args.write is not None:
        if written is None and args.option not in {wish.name for wish, _ in found.refused}:
            names = ", ".join(one.wish.name for one in found.offers if one.bought)
            raise NoSolution(f'there is no option "{args.option}" to write; write one of {names or "none"}')
        if written is None:
            return 1
        _write(args.write, written, args.site)
    return 0 if found.offer(GROWN) is not None else 1


def _document(found: Frontier) -> dict[str, object]:
    from netaudit.capacity.choose.frontier import step_up

    rows: list[dict[str, object]] = []
    lower: Offer | None = None
    for offer in found.offers:
        figures, limit = offer.figures, offer.figures.limit
        row: dict[str, object] = {
            "option": offer.wish.name,
            "for": offer.wish.text,
            "price": round(figures.price, 2),
            "powered_ports": figures.powered_ports,
            "watts_left": figures.watts_left,
            "busiest_radio": figures.busiest_radio,
            "busiest_airtime": figures.busiest,
            "stations_left": figures.stations_left,
            "years_until_outgrown": figures.years,
            "limited_by": None if limit is None else {"kind": limit.kind, "place": limit.place},
            "proven_cheapest": offer.proven,
            "proven_at_least": round(offer.bound, 2),
            "bought": offer.bought,
        }
        if offer.bought and lower is not None:
            row["changes"], row["buys"] = step_up(lower, offer)
        lower = offer if offer.bought else lower
        rows.append(row)
    return {"options": rows, "refused": [{"option": wish.name, "why": why} for wish, why in found.refused]}


def _print(out: Console, found: Frontier, locale: str) -> None:
    from itertools import pairwise

    from rich.text import Text

    from netaudit.capacity.choose.frontier import step_up
    from netaudit.publish.text import told

    def say(text: str) -> None:
        out.print(Text(_folded(told(text, locale, _LONGEST))))

    if found.offers:
        out.print(_table(found))
        for offer in found.offers:
            say(f"{offer.wish.name}: {offer.wish.text}{_outgrown(offer)}{_unproven(offer)}")
            if found.free and (hung := _hung(offer)):
                say(f"   {hung}")
        chosen = [offer for offer in found.offers if offer.bought]
        if len(chosen) > 1:
            out.print()
        for lower, upper in pairwise(chosen):
            changes, buys = step_up(lower, upper)
            more = upper.figures.price - lower.figures.price
            say(f"{lower.wish.name} -> {upper.wish.name}, {more:+.0f} {upper.site.site.currency}: {buys}")
            say(f"   {changes}")
    for why, wishes in _by_reason(found).items():
        one = wishes[0]
        who = f"{one.name}, which {one.text}" if len(wishes) == 1 else ", ".join(wish.name for wish in wishes)
        say(f"{who}: can't be had: {why}")


def _by_reason(found: Frontier) -> dict[str, list[Wish]]:
    """Bring together what fails for one reason."""
    reasons: dict[str, list[Wish]] = {}
    for wish, why in found.refused:
        reasons.setdefault(why, []).append(wish)
    return reasons


def _folded(text: str) -> str:
    """Fold a line at the width of a narrow terminal; what follows the first line is set in."""
    from textwrap import fill

    return fill(text, WIDTH, subsequent_indent="   ", break_long_words=False, break_on_hyphens=False)


def _hung(offer: Offer) -> str:
    """Say how many access points hang, and where, as the plan has left it open; nothing where none does."""
    from netaudit.site.counted import counted

    hung = {
        ref.removeprefix("access_point:"): sheets
        for ref, sheets in offer.bought.items()
        if ref.startswith("access_point:")
    }
    where = ", ".join(f"{name} ({sheets[0]})" for name, sheets in hung.items())
    return f"{counted(len(hung), 'access point')}: {where}" if hung else ""


def _for(time_s: float) -> Callable[[], bool]:
    """Give what says yes until so much time has passed from now on."""
    from time import monotonic

    end_s = monotonic() + time_s
    return lambda: monotonic() < end_s


def _outgrown(offer: Offer) -> str:
    from netaudit.publish.text import kind_name, place_name

    limit = offer.figures.limit
    return "" if limit is None else f"; outgrown first: {kind_name(limit.kind)}, {place_name(limit.place, offer.site)}"


def _unproven(offer: Offer) -> str:
    """Say what may be left to save, where an option isn't proven to be the cheapest."""
    if offer.proven or not offer.bought:
        return ""
    if offer.bound <= 0.0:
        return " (not proven: the list of switches was cut, a cheaper set may exist)"
    left = offer.figures.price - offer.bound
    return (
        f" (not proven the cheapest: nothing costs less than {offer.bound:.2f}, so at most {left:.2f} or "
        f"{left / offer.figures.price:.1%} could be saved)"
    )


def _table(found: Frontier) -> object:
    import math

    from rich import box
    from rich.table import Table

    from netaudit.publish.text import number, quantity

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    table.add_column("option", no_wrap=True)
    on_air = any(offer.figures.busiest_radio for offer in found.offers)
    air = ("busiest\nradio", "stations\nleft") if on_air else ()
    for title in ("price", "powered\nports", "W left", *air, "years"):
        table.add_column(title, justify="right", no_wrap=True)
    for offer in found.offers:
        figures, header = offer.figures, offer.site.site
        busy = (quantity(figures.busiest, "share", header.locale), f"{figures.stations_left:.0f}") if on_air else ()
        table.add_row(
            offer.wish.name,
            quantity(figures.price, header.currency, header.locale),
            str(figures.powered_ports),
            f"{figures.watts_left:.0f}",
            *busy,
            "never" if math.isinf(figures.years) else number(round(figures.years, 1), header.locale),
        )
    return table


def _write(path: str, offer: Offer, source: str) -> None:
    from pathlib import Path

    from netaudit.cli.output import write_whole
    from netaudit.site.write import plan_text

    head = (
        f'{offer.site.site.name}: the plan with the option "{offer.wish.name}", which {offer.wish.text}.\n'
        f"Equipment chosen for the plan {Path(source).name}; comments name the sheets."
    )
    write_whole(path, plan_text(offer.raw, head=head, comments=_comments(offer)), cure="name another file with --write")


def _comments(offer: Offer) -> dict[str, str]:
    from netaudit.capacity.choose.build import AT_HAND

    said: dict[str, str] = {}
    site: Site = offer.site
    for ref, sheets in offer.bought.items():
        table, _, name = ref.partition(":")
        if table == "closet":
            here = [switch for switch, row in site.switch.items() if row.closet == name]
            for one, sheet in zip(here, sheets, strict=True):
                said[f"switch.{one}"] = "at hand" if sheet.startswith(AT_HAND) else f"chosen: {sheet}"
        elif table == "link":
            here = [switch for switch, row in site.switch.items() if row.closet == name]
            said[f"switch.{here[0]}"] += f", and for its way up {sheets[0]}"
        elif table == "device":
            said[f"device.{name}"] = f"fed by injectors: {sheets[0]}"
        else:
            said[ref.replace(":", ".")] = "chosen: " + " and ".join(dict.fromkeys(sheets))
    return said
