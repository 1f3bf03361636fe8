"""A plan's data as TOML text, with comments where they are wanted: what `tomllib` reads back is what was given."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from netaudit.site.model import SINGLE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
# TOML 1.0, strings: what must be escaped between double quotes.
_ESCAPES: Final = {"\\": "\\\\", '"': '\\"', "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}
# Order of a job; tables that are not named here come after them.
_ORDER: Final = (
    "site",
    "budget",
    "ceilings",
    "building",
    "closet",
    "room",
    "wall",
    "segment",
    "router",
    "switch",
    "access_point",
    "injector",
    "recorder",
    "backup",
    "drop",
    "device",
)


def plan_text(raw: Mapping[str, Any], *, head: str = "", comments: Mapping[str, str] | None = None) -> str:
    """
    Write a plan's data as TOML.

    Args:      raw as `tomllib` gives it; head goes to the top as comment lines; comments by table, such as `switch.barn`, or by
               key, such as `switch.barn.price`, stand above what they speak of.
    """
    said = comments or {}
    lines = [*_comment(head), ""] if head else []
    for table in sorted(raw, key=lambda key: _ORDER.index(key) if key in _ORDER else len(_ORDER)):
        content = raw[table]
        if isinstance(content, list):
            for row in content:
                lines += [*_table(f"[[{_key(table)}]]", table, row, {}), ""]
        elif table in SINGLE:
            lines += [*_table(f"[{_key(table)}]", table, content, said), ""]
        else:
            for name, row in content.items():
                lines += [*_table(f"[{_key(table)}.{_key(name)}]", f"{table}.{name}", row, said), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def _comment(text: str) -> list[str]:
    # A control character has no place in a comment (TOML 1.0), and a line break would end it.
    return ["# " + "".join(char if char.isprintable() else " " for char in line) for line in text.splitlines()]


def _table(header: str, path: str, row: Mapping[str, Any], said: Mapping[str, str]) -> Iterator[str]:
    yield from _comment(said.get(path, ""))
    yield header
    for key, value in row.items():
        if not _is_rows(value):
            yield from _comment(said.get(f"{path}.{key}", ""))
            yield f"{_key(key)} = {_value(value)}"
    bare = header.strip("[]")
    for key, value in row.items():
        if _is_rows(value):
            for one in value:
                yield from _table(f"[[{bare}.{_key(key)}]]", f"{path}.{key}", one, {})


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_ESCAPES.get(char) or _printed(char) for char in value) + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return str(value)


def _printed(char: str) -> str:
    return char if ord(char) >= 0x20 and ord(char) != 0x7F else f"\\u{ord(char):04X}"
