"""What commands share when they print: one JSON document, or tables that are plain when piped."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import sys
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from rich.console import Console

    from netaudit.capacity.line import State

# Fits a laptop's terminal beside its margin, and A4 in print.
WIDTH = 100
_MARKS = {"within": "▄", "tight": "█", "over": "▲", "unmeasured": "□"}
_STYLES = {"within": "blue", "tight": "yellow", "over": "bold magenta", "unmeasured": "dim"}


def plain(value: object) -> Any:  # noqa: ANN401 - JSON is what it is
    """Turn frozen values into what `json` writes; infinity has no JSON and becomes null."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(one) for one in value]
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):  # noqa: PLR0124 - NaN
        return None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)


def speak_utf8() -> None:
    """Write what programs read back (a plan, JSON) in UTF-8 whatever the locale: TOML 1.0 and RFC 8259, 8.1, ask for it."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")


def print_json(value: object) -> None:
    """Print one JSON document on standard output."""
    speak_utf8()
    sys.stdout.write(json.dumps(plain(value), ensure_ascii=False, indent=1) + "\n")


def write_whole(path: str | Path, content: str | bytes, *, cure: str = "name another folder with --out") -> None:
    """
    Write a file whole or not at all: beside its place first, then moved there; folders are made.

    Raises:    NetauditError: it can't be written; cure is what to do then.
    """
    from pathlib import Path

    from netaudit.errors import NetauditError

    goal = Path(path)
    part = goal.with_name(f".{goal.name}.part")
    try:
        goal.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content.encode("utf-8", "replace") if isinstance(content, str) else content)
        part.replace(goal)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise NetauditError(f"{goal}: can't be written: {error.strerror or error}; {cure}") from error


def need_folder(path: str | Path) -> None:
    """
    See that a folder can be written to, or made, now and not after a day of looking; nothing is made yet.

    Raises:    NetauditError: something else stands in its place, or this user may not write there.
    """
    import os
    from pathlib import Path

    from netaudit.errors import NetauditError

    there = Path(path).absolute()
    while not there.exists():
        there = there.parent
    code = errno.ENOTDIR if not there.is_dir() else 0 if os.access(there, os.W_OK | os.X_OK) else errno.EACCES
    if code:
        raise NetauditError(f"{path}: can't be written: {os.strerror(code)}; name another folder with --out")


def console() -> Console:
    """Give a console of at most WIDTH columns; colour only on a terminal and never with NO_COLOR."""
    from rich.console import Console

    probe = Console(highlight=False)
    width = min(WIDTH, probe.width) if probe.is_terminal else WIDTH
    return Console(highlight=False, width=width, soft_wrap=False)


def state_text(state: State) -> str:
    """Write a state as shape, word and colour, for rich."""
    from netaudit.publish.look import state_word

    return f"[{_STYLES[state.value]}]{_MARKS[state.value]} {state_word(state)}[/]"


def store_of(args: argparse.Namespace, *, must_exist: bool = False) -> str:
    """
    Give the database that a call means: `--store`, else beside the plan, with its name.

    Raises:    StoreError: it must be there and is not.
    """
    from pathlib import Path

    from netaudit.errors import StoreError

    named: str = args.store or str(Path(args.site).with_suffix(".db"))
    if must_exist and "://" not in named and not Path(named).exists():
        raise StoreError(f'{named}: is not there; name the database with --store, or let "netaudit run" make it')
    return named
