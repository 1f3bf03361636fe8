"""
Make what the manual owes to the code: `python docs/generate.py` writes, `--check` only compares.

`reference.md` is made whole; in the other chapters what stands between `<!-- made: NAME -->` and `<!-- made -->` is.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import re
import sys
from pathlib import Path
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pydantic.fields import FieldInfo

HERE: Final = Path(__file__).resolve().parent
ROOT: Final = HERE.parent
sys.path.insert(0, str(ROOT))

from netaudit.audit.rules.table import RULES  # noqa: E402 - found beside this script, installed or not
from netaudit.capacity.airtime import Category, Channel, access, exchange, mpdu_bytes  # noqa: E402
from netaudit.capacity.busy import repeated_share, unicast  # noqa: E402
from netaudit.capacity.contention import backoff, saturate, sender  # noqa: E402
from netaudit.capacity.rates import Band, Mode, Phy, dsss, rate_bps  # noqa: E402
from netaudit.cli import COMMANDS, Layout  # noqa: E402
from netaudit.publish.metrics import LedgerCollector  # noqa: E402
from netaudit.publish.state import first_state  # noqa: E402
from netaudit.site.load import load_site  # noqa: E402
from netaudit.site.model import Profile, Site  # noqa: E402
from netaudit.site.quantity import UNITS  # noqa: E402

DEMO: Final = ROOT / "netaudit" / "demo" / "site.toml"
# The unit in which a default is shown: of each dimension the largest that leaves a number of 1 or more.
_SHOWN: Final = {
    "time [s]": ("d", "h", "min", "s", "ms"),
    "rate [bit/s]": ("Gb/s", "Mb/s", "kb/s", "b/s"),
    "storage [B]": ("TB", "GB", "MB", "B"),
}


# -- the plan


def plan() -> Iterator[str]:
    """Give the reference of the plan, a table of fields for each of its tables."""
    yield "## The plan\n"
    yield (
        "One TOML file. A key without a default must be written. Names of tables are yours, up to 48 characters without spaces, "
        'quotes and `/ : @ , =`; with other letters than a to z they stand in quotes: `[room."küche"]`.\n'
    )
    yield "### Quantities\n"
    yield "A number and its unit, in quotes: a bare number could be metres or feet.\n"
    yield "| dimension | units |"
    yield "|---|---|"
    for dimension, units in UNITS.items():
        yield f"| {dimension.partition(' [')[0]} | {', '.join(f'`{unit}`' for unit in units)} |"
    yield ""
    seen: set[type[BaseModel]] = set()
    for info in Site.model_fields.values():
        yield from _tables(info.annotation, seen)


def _tables(annotation: object, seen: set[type[BaseModel]]) -> Iterator[str]:
    for model in _models(annotation):
        if model in seen:
            continue
        seen.add(model)
        yield f"### {_first_line(model)}\n"
        yield "| key | what is written | default | what it is |"
        yield "|---|---|---|---|"
        for name, info in model.model_fields.items():
            key = info.alias or name
            dimension = _dimension(model, key)
            written = dimension.partition(" [")[0] if dimension else _kind(info.annotation)
            yield f"| `{key}` | {written}{_range(info, dimension)} | {_default(info, dimension)} | {info.description} |"
        yield ""
        for info in model.model_fields.values():
            yield from _tables(info.annotation, seen)


def _models(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or model.__name__).strip().partition("\n")[0].rstrip(".")


def _dimension(model: type[BaseModel], name: str) -> str | None:
    """Give the dimension of a quantity, None for other fields; an optional quantity has it in one of its alternatives."""
    told = model.model_json_schema()["properties"][name]
    return next((one["unit"] for one in (told, *told.get("anyOf", ())) if "unit" in one), None)


def _kind(annotation: Any) -> str:  # noqa: ANN401 - a type as pydantic keeps it
    if get_origin(annotation) is Literal:
        return " or ".join(f'`"{one}"`' for one in get_args(annotation))
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "a table"
    origin, parts = get_origin(annotation), [one for one in get_args(annotation) if one not in (NoneType, ...)]
    if origin in (Union, UnionType):
        return " or ".join(dict.fromkeys(_kind(one) for one in parts))
    if origin is tuple:
        inner = _kind(parts[0])
        return "tables, or a number of what is alike" if inner == "a table" and len(parts) == 1 else f"list of {inner}"
    if origin is dict:
        return "named tables"
    if origin is not None:
        return _kind(parts[0])
    return _WORDS.get(getattr(annotation, "__name__", ""), "text")


_WORDS: Final = {
    "str": "text",
    "int": "whole number",
    "float": "number",
    "bool": "`true` or `false`",
    "IPv4Address": "IPv4 address",
    "IPv4Network": "IPv4 network",
    "time": "time of day",
}


def _range(info: FieldInfo, dimension: str | None) -> str:
    signs = {"gt": "> ", "ge": "≥ ", "lt": "< ", "le": "≤ "}
    parts = [
        f"{sign}{_bound(getattr(one, name), dimension)}"
        for one in info.metadata
        for name, sign in signs.items()
        if hasattr(one, name)
    ]
    return f", {' and '.join(parts)}" if parts else ""


def _bound(value: float, dimension: str | None) -> str:
    """Write a bound of a quantity with its unit; none, and a share of one, have no need of it."""
    return f"{value:g}" if dimension in {None, "share"} or not value else _amount(value, dimension)


def _default(info: FieldInfo, dimension: str | None) -> str:
    if info.is_required():
        return "**must be written**"
    if info.default is PydanticUndefined or isinstance(info.default, BaseModel | tuple):
        return "see its table" if info.default is PydanticUndefined or info.default else "none"
    if info.default is None or info.default == "":
        return "none"
    if isinstance(info.default, bool):
        return "`true`" if info.default else "`false`"
    if dimension is None:
        return f"`{info.default}`"
    return f"`{_amount(float(info.default), dimension)}`"


def _amount(value: float, dimension: str) -> str:
    units = UNITS[dimension]
    for unit in _SHOWN.get(dimension, (next(iter(units)),)):
        if value >= units[unit]:
            return f"{value / units[unit]:.6g} {unit}"
    return f"{value:g} {next(iter(units))}" if dimension != "share" else f"{value * 100:g} %"


def kinds() -> Iterator[str]:
    """Give the kinds of devices that the program brings along."""
    yield "## Kinds of devices\n"
    yield "What one does in the busy hour. A plan adds its own, or replaces one of these, by `[profile.NAME]`; measure yours.\n"
    yield "| kind | what it is | connected | up, frames/s × octets | down, frames/s × octets | basis |"
    yield "|---|---|---|---:|---:|---|"
    for name, profile in sorted(load_site(str(DEMO)).profile.items()):
        link = "cable" if profile.link == "wired" else f"Wi-Fi {profile.phy}, {'/'.join(profile.bands)} GHz"
        yield f"| `{name}` | {profile.label} | {link} | {_flow(profile, 'up')} | {_flow(profile, 'down')} | {profile.basis} |"
    yield ""


def _flow(profile: Profile, way: Literal["up", "down"]) -> str:
    flow = profile.up if way == "up" else profile.down
    return f"{flow.frames_per_s:g} × {flow.frame_bytes:g}" if flow.frames_per_s else "0"


# -- commands, rules, metrics


class _Wide(argparse.ArgumentParser):
    """A parser whose help is as wide on every terminal."""

    def __init__(self, **options: Any) -> None:  # noqa: ANN401 - whatever argparse takes
        shape = lambda prog: Layout(prog, max_help_position=24, width=100)  # noqa: E731 - as argparse asks
        super().__init__(**{**options, "formatter_class": shape})


def commands() -> Iterator[str]:
    """Give the help of each command as it prints it."""
    yield "## The commands\n"
    yield (
        "Status 0: all is within; 1: something is over, failed or wrong; 2: the input or the call was wrong. `--json`"
        " prints one JSON document on standard output; logs go to standard error.\n"
    )
    for name in COMMANDS:
        parser = argparse.ArgumentParser(prog="netaudit")
        subparsers = parser.add_subparsers(parser_class=_Wide)
        importlib.import_module(f"netaudit.cli.{name}").add_parser(subparsers)
        yield f"### `netaudit {name}`\n"
        for words in ((name,), *((name, task) for task in _tasks(subparsers.choices[name]))):
            said = io.StringIO()
            with contextlib.redirect_stdout(said), contextlib.suppress(SystemExit):
                parser.parse_args([*words, "--help"])
            yield f"```text\n{said.getvalue().rstrip()}\n```\n"


def _tasks(parser: argparse.ArgumentParser) -> list[str]:
    for action in parser._actions:  # noqa: SLF001 - argparse has no public way to ask for its subcommands
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 - as above
            return list(action.choices)
    return []


def rules() -> Iterator[str]:
    """Give the rules that open findings."""
    yield "## Findings\n"
    yield "A finding is opened once, updated while it lasts, and closed once.\n"
    for rule in RULES:
        yield f"### `{rule.key}`\n"
        yield f"{rule.question} Look at it: {rule.weight.value}. Where the limit is from: {rule.limit_source}.\n"
        for words in rule.words.values():
            yield f"- {_open(words.text)} *To do:* {_open(words.cure)}"
        yield ""


def _open(template: str) -> str:
    """Show where a template is filled: {place} becomes ⟨place⟩, which no Markdown reader takes for something else."""
    text = re.sub(r"\{(\w+)[^{}]*\}", lambda found: f"⟨{found.group(1).replace('_', ' ')}⟩", template)
    return text if text.endswith((".", "?", "!", ":")) else f"{text}."


def metrics() -> Iterator[str]:
    """Give the metrics of `/metrics`."""
    yield "## Metrics\n"
    yield "Beside these `/metrics` gives what the Python client tells of its process.\n"
    yield "| metric | type | what it is |"
    yield "|---|---|---|"
    site = load_site(str(DEMO))
    from netaudit.capacity.ledger import gather  # noqa: PLC0415 - beside its only use

    for family in LedgerCollector(lambda: first_state(site, gather(site))).collect():
        ending = {"counter": "_total", "info": "_info"}.get(family.type, "")
        yield f"| `{family.name}{ending}` | {family.type} | {family.documentation} |"
    yield ""


def reference() -> str:
    """Give the whole of reference.md."""
    head = (
        "# Reference\n\nMade from the program by `python docs/generate.py`; a test compares. "
        "The story of the job is in [story.md](story.md).\n"
    )
    parts = [head, *plan(), *kinds(), *commands(), *rules(), *metrics()]
    return "\n".join(parts).rstrip() + "\n"


# -- computed numbers in the chapters


def truth() -> str:
    """Give the truth table, as `make truth` prints it."""
    table = importlib.import_module("tests.truth.table")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        table.main()
    return said.getvalue().rstrip()


FRAME_BYTES: Final = 1500


def one_frame() -> str:
    """Give what one frame costs in some modes."""
    modes = (
        ("802.11b, 1 Mb/s", dsss(1.0), Band.GHZ_2_4),
        ("802.11b, 11 Mb/s", dsss(11.0), Band.GHZ_2_4),
        ("802.11n MCS 7, 20 MHz, one stream", Mode(Phy.HT, 7, 1, 20, 800), Band.GHZ_2_4),
        ("802.11ax MCS 9, 20 MHz, two streams", Mode(Phy.HE, 9, 2, 20, 800), Band.GHZ_2_4),
        ("802.11ax MCS 9, 80 MHz, two streams", Mode(Phy.HE, 9, 2, 80, 800), Band.GHZ_5),
    )
    rows = ["| mode | bit rate | 100 octets | 1500 octets | useful rate at 1500 |", "|---|---:|---:|---:|---:|"]
    for name, mode, band in modes:
        channel = Channel(band)
        rules_ = access(Category.BEST_EFFORT)
        waits_us = channel.spacing.aifs_us(rules_.aifs_slots)
        short_us, long_us = (
            exchange(mode, mpdu_bytes(size, qos=not mode.is_dsss), channel).busy_us + waits_us
            for size in (100, FRAME_BYTES)
        )
        useful_mbps = FRAME_BYTES * 8 / long_us
        rows.append(
            f"| {name} | {rate_bps(mode) / 1e6:.1f} Mb/s | {short_us:.0f} µs | {long_us:.0f} µs | {useful_mbps:.1f} Mb/s |"
        )
    return "\n".join(rows)


def one_radio() -> str:
    """Give the queue of one radio under a growing crowd of alike stations, from quiet to full."""
    mode, channel = Mode(Phy.HT, 7, 1, 20, 800), Channel(Band.GHZ_2_4)
    rules_ = access(Category.BEST_EFFORT)
    wait_us = channel.spacing.aifs_us(rules_.aifs_slots)
    rule = backoff(rules_, channel.spacing)
    one = unicast(20.0, 200.0, mode, channel)
    rows = [
        "| stations | busy without collisions | in a queue | collisions add | busy |",
        "|---:|---:|---:|---:|---:|",
    ]
    for count in (10, 50, 100, 150, 200):
        load, turns_per_s = count * one.share, count * one.turns_per_s
        taken = min(load + turns_per_s * wait_us / 1e6, 0.95)
        added = repeated_share(load, turns_per_s, wait_us, count, rule)
        waiting = taken * taken / (2 * (1 - taken))
        rows.append(
            f"| {count} | {100 * load:.1f} % | {waiting:.2f} | {100 * added:.2f} % | {100 * (load + added):.1f} % |"
        )
    return "\n".join(rows)


def saturated() -> str:
    """Give what is left when everybody always has something to send."""
    mode, channel = Mode(Phy.HT, 7, 1, 20, 800), Channel(Band.GHZ_2_4)
    rules_ = access(Category.BEST_EFFORT)
    ifs_us = channel.spacing.aifs_us(rules_.aifs_slots)
    rule = backoff(rules_, channel.spacing)
    quick = exchange(mode, mpdu_bytes(FRAME_BYTES), channel)
    slow = exchange(dsss(1.0), mpdu_bytes(FRAME_BYTES, qos=False), channel)
    rows = ["| senders | an attempt collides | all together | each |", "|---|---:|---:|---:|"]
    for count in (1, 2, 5, 10, 20, 50):
        solved = saturate([sender(count, rule, quick, ifs_us, FRAME_BYTES * 8)], channel.spacing.slot_us)
        total = solved.goodput_bps[0]
        rows.append(
            f"| {count} | {100 * solved.collision[0]:.1f} % | {total / 1e6:.1f} Mb/s | {total / count / 1e6:.2f} Mb/s |"
        )
    mixed = saturate(
        [sender(4, rule, quick, ifs_us, FRAME_BYTES * 8), sender(1, rule, slow, ifs_us, FRAME_BYTES * 8)],
        channel.spacing.slot_us,
    )
    total = sum(mixed.goodput_bps)
    rows.append(
        f"| 4, and one at 1 Mb/s | {100 * mixed.collision[0]:.1f} % | {total / 1e6:.1f} Mb/s | {mixed.goodput_bps[0] / 4e6:.2f} Mb/s |"
    )
    return "\n".join(rows)


PIECES: Final[dict[str, Callable[[], str]]] = {
    "truth": truth,
    "one-frame": one_frame,
    "one-radio": one_radio,
    "saturated": saturated,
}
_PIECE: Final = re.compile(r"(<!-- made: ([a-z-]+) -->\n).*?(<!-- made -->)", re.DOTALL)


def filled(text: str) -> str:
    """Give a chapter with each of its made pieces made anew."""
    return _PIECE.sub(lambda found: f"{found[1]}{PIECES[found[2]]()}\n{found[3]}", text)


def wanted() -> dict[Path, str]:
    """Give what each file of the manual that owes something to the code must hold."""
    pages = {HERE / "reference.md": reference()}
    for path in sorted(HERE.glob("*.md")):
        text = path.read_text("utf-8")
        if path.name != "reference.md" and "<!-- made: " in text:
            pages[path] = filled(text)
    return pages


def main(argv: list[str] | None = None) -> int:
    """Write the pages, or with --check say which differ; status 1 if one does."""
    parser = argparse.ArgumentParser(description="Make what the manual owes to the code.")
    parser.add_argument("--check", action="store_true", help="write nothing; status 1 when a page differs")
    args = parser.parse_args(argv)
    differing = 0
    for path, text in wanted().items():
        if path.is_file() and path.read_text("utf-8") == text:
            continue
        differing += 1
        sys.stdout.write(f"{path.name}: {'differs from the program' if args.check else 'written'}\n")
        if not args.check:
            path.write_text(text, encoding="utf-8")
    return 1 if args.check and differing else 0


if __name__ == "__main__":
    sys.exit(main())
