"""
Where each key of a TOML document stands: `tomllib` gives values without positions, and an error wants its line.

The document has already been read by `tomllib`, so this scan may trust that it is well formed and only follows headers,
keys, inline tables and arrays. Paths are tuples as in the loaded data: ("switch", "barn", "ports", 0, "count").
"""

from __future__ import annotations

import re
import tomllib
from typing import Final

Path = tuple[str | int, ...]

_TOKEN: Final = re.compile(
    r"""
    (?P<space>[ \t\r]+)
  | (?P<newline>\n)
  | (?P<comment>\#[^\n]*)
  | (?P<string>\"\"\"(?:\\.|[^\\])*?\"{3,5}|'''.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')
  | (?P<mark>[\[\]{},=.])
  | (?P<bare>[^\s\[\]{},=.\#"']+)
    """,
    re.VERBOSE | re.DOTALL,
)


class _Scan:
    """One pass over the tokens; `lines` fills as keys are met."""

    def __init__(self, text: str) -> None:
        self.tokens: list[tuple[str, str, int]] = []
        line = 1
        for match in _TOKEN.finditer(text):
            kind = match.lastgroup or ""
            written = match.group()
            if kind not in ("space", "comment"):
                self.tokens.append((kind, written, line))
            line += written.count("\n")
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.lengths: dict[Path, int] = {}

    def peek(self) -> tuple[str, str, int]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "", 0)

    def take(self) -> tuple[str, str, int]:
        token = self.peek()
        self.at += 1
        return token

    def skip_newlines(self) -> None:
        while self.peek()[0] == "newline":
            self.at += 1

    def key(self) -> list[str]:
        parts: list[str] = []
        while True:
            kind, written, _ = self.take()
            parts.append(_unquote(written) if kind == "string" else written)
            if self.peek()[1] != "." or self.peek()[0] != "mark":
                return parts
            self.at += 1

    def place(self, base: Path, parts: list[str], line: int) -> Path:
        """Walk dotted parts from base, into the last element where one names an array of tables."""
        path = base
        for part in parts:
            path = (*path, part)
            self.lines.setdefault(path, line)
            if path in self.lengths:
                path = (*path, self.lengths[path] - 1)
        return path

    def document(self) -> None:
        table: Path = ()
        while True:
            self.skip_newlines()
            kind, written, line = self.peek()
            if kind == "end":
                return
            if kind == "mark" and written == "[":
                table = self.header(line)
            else:
                parts = self.key()
                self.take()  # the equals sign
                self.value(self.place(table, parts, line))

    def header(self, line: int) -> Path:
        self.take()
        many = self.peek()[1] == "[" and self.peek()[0] == "mark"
        if many:
            self.take()
        parts = self.key()
        self.take()
        if not many:
            path = self.place((), parts, line)
            self.lines[path] = line
            return path
        self.take()
        whole = (*self.place((), parts[:-1], line), parts[-1])
        self.lines.setdefault(whole, line)
        self.lengths[whole] = self.lengths.get(whole, 0) + 1
        element = (*whole, self.lengths[whole] - 1)
        self.lines[element] = line
        return element

    def value(self, path: Path) -> None:
        kind, written, _ = self.peek()
        if kind == "mark" and written == "[":
            self.array(path)
        elif kind == "mark" and written == "{":
            self.inline(path)
        else:
            # A float or a date is several tokens: all up to what ends a value.
            while self.peek()[0] not in ("newline", "end") and self.peek()[1] not in (",", "]", "}"):
                self.at += 1
                if self.tokens[self.at - 1][0] == "string":
                    return

    def array(self, path: Path) -> None:
        self.take()
        index = 0
        while True:
            self.skip_newlines()
            kind, written, line = self.peek()
            if (kind == "mark" and written == "]") or kind == "end":
                self.at += 1
                return
            if kind == "mark" and written == ",":
                self.at += 1
                continue
            self.lines[*path, index] = line
            self.value((*path, index))
            index += 1

    def inline(self, path: Path) -> None:
        self.take()
        while True:
            self.skip_newlines()
            kind, written, line = self.peek()
            if (kind == "mark" and written == "}") or kind == "end":
                self.at += 1
                return
            if kind == "mark" and written == ",":
                self.at += 1
                continue
            parts = self.key()
            self.take()
            self.value(self.place(path, parts, line))


def _unquote(written: str) -> str:
    return str(next(iter(tomllib.loads(f"{written} = 0"))))


def find_lines(text: str) -> dict[Path, int]:
    """Map each path of a well-formed TOML text to the 1-based line on which it is first written."""
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.document()
    return scan.lines


def nearest_line(lines: dict[Path, int], path: Path) -> int:
    """Give the line of the longest part of `path` that is written; 1 when none is."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 1
