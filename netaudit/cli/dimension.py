"""`netaudit dimension SITE`: hazards, the ledger, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import WIDTH, console, print_json, state_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Mapping

    from rich.console import Console

    from netaudit.capacity.ledger import Ledger
    from netaudit.capacity.line import Flaw, Hazard, Line
    from netaudit.site.model import Site


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "dimension",
        description="Size the plan: what can hurt, what can run out and where, what to do. Exit 1 when something is over.",
        epilog="example: netaudit dimension demo-output/site.toml --add 6:camera@yard",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--json", action="store_true", help="print every line with unit, source and inputs")
    parser.add_argument("--explain", metavar="PLACE", help="show the arithmetic of each line of a place, step by step")
    parser.add_argument("--air", action="store_true", help="show the channel plan and what reaches each room instead")
    parser.add_argument(
        "--add",
        metavar="N:KIND@PLACE",
        action="append",
        default=[],
        help="what if N devices came; prints what changes (may be repeated)",
    )
    parser.add_argument(
        "--without",
        metavar="NAME",
        action="append",
        default=[],
        help="what if this were not there; prints what changes (may be repeated)",
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Gather the ledger and print it, its changes, or one place's arithmetic."""
    import re
    import tomllib

    from netaudit.capacity.ledger import gather
    from netaudit.capacity.line import State
    from netaudit.errors import OutOfRange
    from netaudit.site.change import add_devices, remove
    from netaudit.site.load import build_site, parse_site, read_plan

    text = read_plan(args.site)
    site = parse_site(text, args.site)
    ledger = gather(site)
    before: Ledger | None = None
    if args.add or args.without:
        raw = tomllib.loads(text)
        for name in args.without:
            raw = remove(raw, name)
        for wish in args.add:
            raw = add_devices(raw, wish)
        before, site = ledger, build_site(raw, args.site)
        ledger = gather(site)
    if args.air:
        from netaudit.cli.air import print_air

        print_air(site, as_json=args.json)
    elif args.explain is not None:
        lines = [line for line in ledger.lines if line.place == args.explain]
        if not lines:
            places = sorted({line.place for line in ledger.lines})
            named = args.explain.rpartition(":")[2]
            # Whoever knows the name only, or wrote another kind before it, finds the places of that name.
            like = [place for place in places if named and named in re.split("[:/]", place)] or places
            raise OutOfRange(f'the ledger has no place "{args.explain}"; write one of {", ".join(like)}')
        if args.json:
            print_json([_row(line) for line in lines])
        else:
            _explain(console(), site, lines)
    elif args.json:
        print_json(_document(site, ledger, before))
    elif before is None:
        _print_ledger(console(), site, ledger)
    else:
        _print_changes(console(), site, before, ledger)
    return 1 if ledger.state is State.OVER else 0


def _row(line: Line) -> dict[str, object]:
    from netaudit.cli.output import plain

    row: dict[str, object] = plain(line)
    return {
        **row,
        "usable": plain(line.usable),
        "headroom": plain(line.headroom),
        "state": line.state,
        "grown_state": line.grown_state,
        "inputs": dict(line.inputs),
    }


def _document(site: Site, ledger: Ledger, before: Ledger | None) -> dict[str, object]:
    lines = ledger.lines if before is None else [new for _, new in _changed(before, ledger) if new is not None]
    return {
        "site": site.site.name,
        "growth": site.site.growth,
        "hazards": ledger.hazards,
        "flaws": ledger.flaws,
        "lines": [_row(line) for line in lines],
        "state": ledger.state,
    }


def _worst(line: Line) -> str:
    """Write the worst that is said of a line, now or with growth."""
    return state_text(line.grown_state) + (", grown" if line.grown_state is not line.state else "")


def _safe(text: str, site: Site | None = None) -> str:
    """Write a text of the site or of the program; with the site, places by their labels and figures as it writes them."""
    from rich.markup import escape

    from netaudit.publish.text import told

    return escape(told(text) if site is None else told(text, site.site.locale, site=site))


def _warn(out: Console, title: str, items: Iterable[Hazard | Flaw], site: Site) -> None:
    from rich.padding import Padding

    from netaudit.publish.text import place_name

    items = tuple(items)
    if not items:
        return
    out.print(f"[bold]{title} ({len(items)})[/]")
    for item in items:
        out.print(Padding(f"! {_safe(place_name(item.place, site))}: {_safe(item.text, site)}", (0, 0, 0, 1)))
        out.print(Padding(f"do: {_safe(item.cure, site)}  [dim]({_safe(item.basis)})[/]", (0, 0, 0, 3)))
    out.print()


def _print_ledger(out: Console, site: Site, ledger: Ledger) -> None:
    from rich.padding import Padding

    from netaudit.capacity.advice import advise, repeats_a_radio
    from netaudit.publish.text import kind_name, place_name

    header = site.site
    _warn(out, "Hazards", ledger.hazards, site)
    out.print(
        f"[bold]Ledger of {_safe(header.name)}[/]: as planned, grown by {header.growth * 100:g} %, "
        "and what the ceiling leaves"
    )
    bases = {basis: number for number, basis in enumerate(dict.fromkeys(line.basis for line in ledger.lines), 1)}
    out.print(_table(site, ledger.lines, out.width, bases))
    out.print("[bold]By what it is counted[/]")
    for basis, number in bases.items():
        out.print(Padding(f"[dim]{number:2}  {_safe(basis)}[/]", (0, 0, 0, 1)))
    out.print()
    todo = [(line, said) for line in ledger.lines if not repeats_a_radio(line) and (said := advise(line)) is not None]
    _warn(out, "What doesn't fit together", ledger.flaws, site)
    if todo:
        out.print("[bold]What to do[/]")
        for line, said in todo:
            out.print(f" {_worst(line)}  {kind_name(line.kind)}, {_safe(place_name(line.place, site))}")
            out.print(Padding(_safe(said, site), (0, 0, 0, 3)))
    elif not ledger.flaws:
        rest = "Only the hazards above are to be mended." if ledger.hazards else "Nothing to do."
        out.print(f"Every line is within its ceiling, with growth. {rest}")


# Columns by the width from which each is shown, so that none is cut: where, what is left and the state are always there.
_FROM_WIDTH = {"planned": 58, "grown": 79, "ceiling": 79, "by": 58}


def _table(site: Site, lines: Iterable[Line], width: int, bases: Mapping[str, int]) -> object:
    from rich import box
    from rich.table import Table

    from netaudit.publish.text import figure, kind_name, left, place_name

    locale = site.site.locale
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    titles = ("where", "planned", "grown", "ceiling", "left", "state", "by")
    shown = [at for at, title in enumerate(titles) if width >= _FROM_WIDTH.get(title, 0)]
    for at in shown:
        title = titles[at]
        if title == "where":
            table.add_column(title, min_width=29 if width >= WIDTH else 10, overflow="fold")
        else:
            table.add_column(title, justify="left" if title == "state" else "right", no_wrap=True)
    kinds: dict[object, list[Line]] = {}
    for line in lines:
        kinds.setdefault(line.kind, []).append(line)
    for members in kinds.values():
        table.add_row(f"[bold]{kind_name(members[0].kind)}[/]")
        for line in members:
            cells = (
                f" {_safe(place_name(line.place, site))}",
                *(figure(amount, line.unit, locale) for amount in (line.planned, line.grown, line.usable)),
                left(line.headroom, line.unit, locale),
                _worst(line),
                f"[dim]{bases[line.basis]}[/]",
            )
            table.add_row(*(cells[at] for at in shown))
    return table


def _changed(before: Ledger, after: Ledger) -> list[tuple[Line | None, Line | None]]:
    old = {(line.kind, line.place): line for line in before.lines}
    new = {(line.kind, line.place): line for line in after.lines}
    keys = [*new, *(key for key in old if key not in new)]
    pairs = [(old.get(key), new.get(key)) for key in keys]
    return [(was, now) for was, now in pairs if was is None or now is None or _amounts(was) != _amounts(now)]


def _amounts(line: Line) -> tuple[float, float, float]:
    return round(line.planned, 9), round(line.grown, 9), round(line.supply, 9)


def _print_changes(out: Console, site: Site, before: Ledger, after: Ledger) -> None:
    from rich import box
    from rich.table import Table

    from netaudit.publish.text import figure, kind_name, left, place_name

    known = set(before.hazards) | set(before.flaws)
    _warn(out, "New hazards", (item for item in after.hazards if item not in known), site)
    locale = site.site.locale
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for title, right in (
        ("what", False),
        ("where", False),
        ("was", True),
        ("is", True),
        ("left", True),
        ("state", False),
    ):
        table.add_column(title, justify="right" if right else "left", overflow="fold")
    for was, now in _changed(before, after):
        line = now or was
        if line is None:
            continue
        before_and_after = [
            (figure(one.planned, one.unit, locale), left(one.headroom, one.unit, locale), _worst(one)) if one else None
            for one in (was, now)
        ]
        if before_and_after[0] == before_and_after[1]:
            # What no figure shows is no change to a reader; --json has it.
            continue
        old, new = before_and_after
        table.add_row(
            kind_name(line.kind),
            _safe(place_name(line.place, site)),
            old[0] if old else "not there",
            new[0] if new else "gone",
            *((new[1], new[2]) if new else ("", "")),
        )
    if table.row_count:
        out.print("[bold]Lines that change[/]")
        out.print(table)
    else:
        out.print("No line changes.")
    _warn(out, "New: what doesn't fit together", (item for item in after.flaws if item not in known), site)


def _explain(out: Console, site: Site, lines: Iterable[Line]) -> None:
    from rich.padding import Padding

    from netaudit.publish.text import kind_name, place_name, quantity

    locale = site.site.locale
    for line in lines:
        out.print(f"[bold]{kind_name(line.kind)}, {_safe(place_name(line.place, site))}[/]  ({line.place})")
        for step in line.steps:
            value = quantity(step.value, step.unit, locale)
            out.print(
                Padding(f"{_safe(step.text, site)}: [bold]{value}[/] [dim]({_safe(step.source)})[/]", (0, 0, 0, 2))
            )
        supply = quantity(line.supply, line.unit, locale)
        usable = quantity(line.usable, line.unit, locale)
        out.print(
            Padding(
                f"of {supply} we plan to use {line.ceiling * 100:g} %, which is {usable} "
                f"[dim]({_safe(line.ceiling_reason)})[/]",
                (0, 0, 0, 2),
            )
        )
        left = quantity(line.headroom, line.unit, locale)
        out.print(f"  planned {quantity(line.planned, line.unit, locale)}, left {left}: {state_text(line.state)}")
        grown = quantity(line.grown, line.unit, locale)
        out.print(f"  with {site.site.growth * 100:g} % growth {grown}: {state_text(line.grown_state)}")
        if line.note:
            out.print(Padding(_safe(line.note, site), (0, 0, 0, 2)))
        out.print()
