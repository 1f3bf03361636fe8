"""
A TOML document read into frozen tables, with errors that say `file:line: what is wrong and what to write`.

Steps: bytes -> text -> TOML -> fields -> laws between tables. All faults of one step are reported together, each on its own
line; a later step runs only when the one before it was clean.
"""

from __future__ import annotations

import tomllib
from contextlib import suppress
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from netaudit.errors import PlanError
from netaudit.site.model import FORMS
from netaudit.site.quantity import in_unit_of
from netaudit.site.toml_lines import find_lines, nearest_line

if TYPE_CHECKING:
    from collections.abc import Callable

    from pydantic_core import ErrorDetails

T = TypeVar("T", bound=BaseModel)
# Where in the TOML data, and what to say.
Fault = tuple[tuple[str | int, ...], str]

# These documents are written by hand; this is far above any, and keeps a mistaken argument (a disk image) out of memory.
LARGEST_BYTES = 32 * 2**20


def read_text(path: str | Path, what: str) -> str:
    """
    Read a document's text; `what` names it in messages ("site plan").

    Raises:    PlanError: not there, not readable, not text, empty, too large.
    """
    file = str(path)
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise PlanError(f"can't be read: {error.strerror or error}", file=file) from error
    if len(data) > LARGEST_BYTES:
        raise PlanError(f"is larger than 32 MiB and so no {what}; name a TOML file", file=file)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise PlanError(f"is not UTF-8 text; a {what} is a TOML file, saved as UTF-8", file=file, line=line) from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise PlanError(f"is a binary file; a {what} is a TOML file", file=file, line=line)
    if not text.strip():
        raise PlanError(f"is empty; a {what} is a TOML file with its tables in [ ]", file=file)
    return text


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """
    Parse TOML.

    Raises:    PlanError: with the line at which it is no TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(error, text, file) from error


def build(
    model: type[T],
    raw: dict[str, Any],
    *,
    file: str,
    text: str,
    laws: Callable[[T], list[Fault]],
    single: frozenset[str],
) -> T:
    """
    Make frozen tables from loaded data and hold them against the laws between them.

    Args:      text is where faults find their lines; single: tables whose second level are keys, not names.
    Raises:    PlanError: the first fault, with `more` holding the others.
    """
    try:
        made = model.model_validate(raw)
    except ValidationError as error:
        details = error.errors(include_url=False)
        faults = [(_loc(one, raw), _say(one, model, raw)) for one in details if not _follows(one, details)]
    else:
        faults = laws(made)
        if not faults:
            return made
    lines = find_lines(text) if text else {}
    errors = [PlanError(_prefix(loc, said, single), file=file, line=nearest_line(lines, loc)) for loc, said in faults]
    errors.sort(key=lambda fault: fault.line or 1)
    first = errors[0]
    first.more = tuple(errors[1:])
    raise first


def _follows(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """Say whether a list is only too short because what stands in it has a fault, which is told by itself."""
    path = detail["loc"]
    return detail["type"] == "too_short" and any(
        one is not detail and one["loc"][: len(path)] == path for one in details
    )


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


_BOUNDS = ("gt", "ge", "lt", "le")
_WORDS = {
    "missing": "is missing; write {how}",
    "extra_forbidden": "is not a known key; {near}",
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
    "string_pattern_mismatch": "must be {form}, not {input!r}",
    "string_too_short": "must have at least {min_length} characters",
    "string_too_long": "must have at most {max_length} characters",
    "too_short": "must have at least {min_length} entry",
    "ip_v4_network": "must be an IPv4 network with its length and no host bits, such as 10.20.0.0/24, not {input!r}",
    "ip_v4_address": "must be an IPv4 address, such as 10.20.0.5, not {input!r}",
    "too_long": "must have at most {max_length} entries",
}


def _keys(annotation: Any, path: tuple[str | int, ...]) -> dict[str, Any]:  # noqa: ANN401 - typing has no type of its forms
    """Give the keys of the table at the end of a path, with what each may hold; names and numbers on the way lead no deeper."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        own = {field.alias or name: field.annotation for name, field in annotation.model_fields.items()}
        return own if not path else _keys(own[path[0]], path[1:]) if path[0] in own else {}
    if get_origin(annotation) in (dict, tuple) and path:
        path = path[1:]
    return {key: one for inner in get_args(annotation) for key, one in _keys(inner, path).items()}


def _how(detail: ErrorDetails, model: type[BaseModel]) -> str:
    """Say how a key that is missing is written: tables have headings of their own."""
    *path, last = detail["loc"]
    kind, name = _keys(model, tuple(path)).get(str(last)), ".".join(map(str, detail["loc"]))
    if get_origin(kind) is dict:
        return f"[{name}.NAME] with its keys"
    if get_origin(kind) is tuple and _keys(kind, (0,)):
        return f"[[{name}]] with its keys"
    return f"[{name}] with its keys" if _keys(kind, ()) else f"{last} = ..."


def _near(detail: ErrorDetails, model: type[BaseModel]) -> str:
    """Say which key was probably meant."""
    *path, written = detail["loc"]
    found = get_close_matches(str(written), _keys(model, tuple(path)), n=1)
    return f"did you mean {found[0]}?" if found else "see the reference of the plan for what can stand here"


def _written(raw: Any, path: tuple[str | int, ...]) -> object:  # noqa: ANN401 - whatever TOML holds
    """Give what stands in the plan at a path."""
    with suppress(KeyError, IndexError, TypeError):  # what is not written
        for part in path:
            raw = raw[part]
        return raw
    return None


def _say(detail: ErrorDetails, model: type[BaseModel], raw: object) -> str:
    words = _WORDS.get(detail["type"])
    if words is None:
        message = detail["msg"].removeprefix("Value error, ")
        return message[:1].lower() + message[1:]
    here = _written(raw, _loc(detail, raw))
    context = {
        key: in_unit_of(here, value) if key in _BOUNDS else value
        for key, value in (detail.get("ctx") or {}).items()
        if key != "input"
    }
    written = detail["input"]
    if isinstance(written, str):
        written = _short(written)
    elif isinstance(written, dict | list):
        written = "a table" if isinstance(written, dict) else "a list"
    form = FORMS.get(context.get("pattern", ""))
    last = detail["loc"][-1] if detail["loc"] else ""
    near = _near(detail, model) if detail["type"] == "extra_forbidden" else ""
    how = _how(detail, model) if detail["type"] == "missing" else ""
    return words.format(**context, form=form, last=last, input=written, near=near, how=how)


def _short(written: str) -> str:
    """Keep a line readable whatever was written."""
    return written if len(written) <= 60 else written[:57] + "..."


def _prefix(loc: tuple[str | int, ...], said: str, single: frozenset[str]) -> str:
    """Name the place as a person would: `switch "barn", ports, entry 2, rate: must be ...`."""
    if not loc:
        return said
    words: list[str] = []
    for index, part in enumerate(loc):
        if isinstance(part, int):
            words.append(f"entry {part + 1}")
        elif index == 1 and loc[0] not in single:
            words[-1] += f' "{_short(part)}"'
        else:
            words.append(part)
    return f"{', '.join(words)}: {said}"
