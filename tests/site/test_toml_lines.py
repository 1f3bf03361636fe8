"""Lines are found for exactly the paths that tomllib knows."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from netaudit.site.toml_lines import Path, find_lines, nearest_line

KEYS = st.one_of(
    st.from_regex(r"[A-Za-z0-9_-]{1,8}", fullmatch=True),
    st.text(alphabet="ab .=#[]{}'é\U0001f41f", min_size=1, max_size=6),
)
SCALARS = st.one_of(
    st.integers(-(2**60), 2**60),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.text(alphabet="ab ,]}\"'#=\\\n.é", max_size=12),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=3)),
    max_leaves=6,
)
DOCUMENTS = st.dictionaries(KEYS, VALUES, max_size=5)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def _key(key: str) -> str:
    return key if key.replace("_", "a").replace("-", "a").isalnum() and key.isascii() else _quoted(key)


def _written(value: Any, between: str = ", # kept\n ") -> str:
    """Write a value; an array outside an inline table may spread over lines with remarks."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[" + between.join(_written(one, between) for one in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_written(one, ', ')}" for key, one in value.items()) + "}"
    return repr(value)


def _document(data: dict[str, Any]) -> str:
    """Write tables of tables as headers, lists of tables as arrays of tables, the rest as values."""
    plain = [f"{_key(key)} = {_written(value)}" for key, value in data.items() if not _is_table(value)]
    out = ["# a remark", *plain]
    for key, value in data.items():
        if isinstance(value, dict) and value:
            out += [f"[{_key(key)}]", *(f"{_key(inner)} = {_written(one)}" for inner, one in value.items())]
        elif _is_table(value):
            for element in value:
                out += [f"[[{_key(key)}]]", *(f"{_key(inner)} = {_written(one)}" for inner, one in element.items())]
    return "\n".join(out) + "\n"


def _is_table(value: Any) -> bool:
    return (isinstance(value, dict) and bool(value)) or (
        isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)
    )


def _paths(value: Any, base: Path = ()) -> set[Path]:
    found: set[Path] = set()
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in items:
        found |= {(*base, key)} | _paths(one, (*base, key))
    return found


@given(DOCUMENTS)
def test_every_path_that_tomllib_reads_has_a_line(data: dict[str, Any]) -> None:
    """The scan finds the same paths as the standard library's parser, no more and no fewer."""
    text = _document(data)
    assert set(find_lines(text)) == _paths(tomllib.loads(text))


def test_each_way_to_write_a_key_gives_its_own_line() -> None:
    """Headers, arrays of tables, dotted keys, inline tables and list elements point at where they stand."""
    text = '[a]\nx = 1\n\n[[b.c]]\ny = 2\n[[b.c]]\n"y z" = [\n 1,\n 2]\n[d]\ne.f = { g = 3 }\n'
    lines = find_lines(text)
    assert lines["a", "x"] == 2
    assert lines["b", "c", 0, "y"] == 5
    assert lines["b", "c", 1] == 6
    assert lines["b", "c", 1, "y z", 1] == 9
    assert lines["d", "e", "f", "g"] == 11


def test_a_missing_key_points_at_its_table() -> None:
    """Where a key isn't written, the nearest table that is written is named."""
    assert nearest_line(find_lines("[site]\nname = 'x'\n[switch.barn]\n"), ("switch", "barn", "ports")) == 3
    assert nearest_line({}, ("anything",)) == 1
