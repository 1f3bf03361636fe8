"""
From a file to a checked plan, or to errors that say `file:line: what is wrong and what to write`.

Steps: bytes -> text -> TOML -> fields (`model.py`) -> references and laws (`check.py`). All errors of one step are reported
together, each on its own line; a later step runs only when the one before it was clean.
"""

from __future__ import annotations

import hashlib
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from netaudit.errors import PlanError
from netaudit.site.check import find_faults
from netaudit.site.model import Site
from netaudit.site.toml_lines import find_lines, nearest_line

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

# A plan is written by hand; this is far above any, and keeps a mistaken argument (a disk image) out of memory.
LARGEST_PLAN_BYTES = 32 * 2**20


def load_site(path: str | Path) -> Site:
    """
    Read, check and complete the plan in a file.

    Raises:    PlanError: the first fault, with `more` holding the others; each has file and line.
    """
    return parse_site(read_plan(path), str(path))


def read_plan(path: str | Path) -> str:
    """
    Read a plan's text.

    Raises:    PlanError: not there, not readable, not text, empty, too large.
    """
    file = str(path)
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(LARGEST_PLAN_BYTES + 1)
    except OSError as error:
        raise PlanError(f"can't be read: {error.strerror or error}", file=file) from error
    if len(data) > LARGEST_PLAN_BYTES:
        raise PlanError("is larger than 32 MiB and so no site plan; name a TOML file", file=file)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise PlanError("is not UTF-8 text; a site plan is a TOML file", file=file, line=line) from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise PlanError("is a binary file; a site plan is a TOML file", file=file, line=line)
    if not text.strip():
        raise PlanError('is empty; a plan begins with [site] and a name = "..."', file=file)
    return text


def parse_site(text: str, file: str = "site.toml") -> Site:
    """
    Check and complete a plan's text.

    Raises:    PlanError: as `load_site`.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(error, text, file) from error
    return build_site(raw, file, text)


def build_site(raw: dict[str, Any], file: str = "site.toml", text: str = "") -> Site:
    """
    Make a plan from loaded data; `text`, when given, is where errors find their lines.

    Raises:    PlanError: as `load_site`.
    """
    completed = with_profiles(raw)
    try:
        site = Site.model_validate(completed)
    except ValidationError as error:
        faults = [(_loc(detail, completed), _say(detail)) for detail in error.errors(include_url=False)]
    else:
        faults = find_faults(site)
        if not faults:
            return site
    lines = find_lines(text) if text else {}
    errors = [PlanError(_prefix(loc, said), file=file, line=nearest_line(lines, loc)) for loc, said in faults]
    errors.sort(key=lambda fault: fault.line or 1)
    first = errors[0]
    first.more = tuple(errors[1:])
    raise first


@cache
def own_profiles() -> dict[str, Any]:
    """Read the kinds of devices that the program ships."""
    return tomllib.loads(resources.files("netaudit.site").joinpath("profiles.toml").read_text("utf-8"))


def with_profiles(raw: dict[str, Any]) -> dict[str, Any]:
    """Add our profiles under those of the plan; a plan's own profile of the same name replaces ours."""
    own = raw.get("profile", {})
    return {**raw, "profile": {**own_profiles(), **own}} if isinstance(own, dict) else raw


def fingerprint(text: str) -> str:
    """Give the SHA-256 of a plan's text, by which certificates and the store name its version."""
    return hashlib.sha256(text.encode()).hexdigest()


def _syntax_error(error: tomllib.TOMLDecodeError, text: str, file: str) -> PlanError:
    said = str(error)
    line = text.count("\n") + 1
    if " (at line " in said:
        said, _, where = said.partition(" (at line ")
        line = int(where.partition(",")[0])
    elif " (at end of document)" in said:
        said = said.replace(" (at end of document)", ", and the file ends here")
    return PlanError(f"is not TOML here: {said}", file=file, line=line)


def _loc(detail: ErrorDetails, raw: object) -> tuple[str | int, ...]:
    """Keep the parts of pydantic's location that are written in the plan; it adds names of union members and "[key]"."""
    path: list[str | int] = []
    here: Any = raw
    for part in detail["loc"]:
        if part == "[key]":
            continue
        if isinstance(here, dict):
            here, written = here.get(part), part in here
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here, written = here[part], True
        else:
            written = False
        if written or part == detail["loc"][-1]:
            path.append(part)
    return tuple(path)


_WORDS = {
    "missing": "is missing; write {last} = ...",
    "extra_forbidden": "is not a known key; see the reference of the plan for what can stand here",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "literal_error": "must be one of {expected}, not {input!r}",
    "string_type": "must be text in quotes, not {input!r}",
    "int_type": "must be a whole number, not {input!r}",
    "int_parsing": "must be a whole number, not {input!r}",
    "int_from_float": "must be a whole number, not {input!r}",
    "float_type": "must be a number, not {input!r}",
    "float_parsing": "must be a number, not {input!r}",
    "bool_type": "must be true or false, not {input!r}",
    "bool_parsing": "must be true or false, not {input!r}",
    "model_type": "must be a table",
    "dict_type": "must be a table of named tables, such as [{last}.name]",
    "tuple_type": "must be a list in [ ]",
    "string_pattern_mismatch": "must match {pattern}, not {input!r}",
    "string_too_short": "must have at least {min_length} characters",
    "string_too_long": "must have at most {max_length} characters",
    "too_short": "must have at least {min_length} entry",
    "ip_v4_network": "must be an IPv4 network with its length and no host bits, such as 10.20.0.0/24, not {input!r}",
    "ip_v4_address": "must be an IPv4 address, such as 10.20.0.5, not {input!r}",
    "too_long": "must have at most {max_length} entries",
}


def _say(detail: ErrorDetails) -> str:
    words = _WORDS.get(detail["type"])
    if words is None:
        message = detail["msg"].removeprefix("Value error, ")
        return message[:1].lower() + message[1:]
    context = {key: value for key, value in (detail.get("ctx") or {}).items() if key != "input"}
    written = detail["input"]
    if isinstance(written, str) and len(written) > 60:
        written = written[:57] + "..."
    elif isinstance(written, dict | list):
        written = "a table" if isinstance(written, dict) else "a list"
    return words.format(**context, last=detail["loc"][-1] if detail["loc"] else "", input=written)


def _prefix(loc: tuple[str | int, ...], said: str) -> str:
    """Name the place as a person would: `switch "barn", ports, entry 2, rate: must be ...`."""
    if not loc:
        return said
    words: list[str] = []
    for index, part in enumerate(loc):
        if isinstance(part, int):
            words.append(f"entry {part + 1}")
        elif index == 1 and loc[0] not in _SINGLE:
            words[-1] += f' "{part}"'
        else:
            words.append(part)
    return f"{', '.join(words)}: {said}"


_SINGLE = ("site", "budget", "ceilings", "router", "looking", "serving", "wall")
