"""
A document that is kept: JSON with its format, its version and the SHA-256 of its content, so that a slip of the pen is noticed.

A seal proves that nothing was changed by accident. It is no signature: who changes the content can seal it again.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Final, TypeVar

from pydantic import TypeAdapter, ValidationError

from netaudit.errors import CaptureError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

VERSION: Final = 1
# An hour of one echo a second to 250 devices is 900,000 samples of some 110 octets.
LARGEST_CHARACTERS: Final = 256 << 20
T = TypeVar("T")


def digest(text: str) -> str:
    """Give the SHA-256 of a text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def seal(kind: str, form: TypeAdapter[T], value: T) -> str:
    """Write a value; the same value gives the same text."""
    content = form.dump_json(value).decode()
    head = f'{{"format": {json.dumps(f"netaudit {kind}")}, "version": {VERSION}, "sha256": "{digest(content)}",\n'
    return f'{head}"content": {content}}}\n'


def unseal(kind: str, form: TypeAdapter[T], text: str, file: str) -> T:
    """
    Read a value back.

    Raises:    CaptureError: too large, none of ours, of another version, damaged, or changed after it was written.
    """
    if len(text) > LARGEST_CHARACTERS:
        raise CaptureError(f"{file}: {len(text)} characters; the most that is read is {LARGEST_CHARACTERS}")
    try:
        outer = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CaptureError(f"{file}: is no {kind} of ours: it is no JSON") from error
    if not isinstance(outer, dict) or outer.get("format") != f"netaudit {kind}":
        raise CaptureError(f"{file}: is no {kind} of ours: its format is not netaudit {kind}")
    if outer.get("version") != VERSION:
        raise CaptureError(f"{file}: is of version {outer.get('version')!r}; this program reads version {VERSION}")
    try:
        value = form.validate_json(json.dumps(outer.get("content")))
    except ValidationError as error:
        raise CaptureError(f"{file}: is damaged ({_said(error.errors(include_url=False)[0])})") from error
    if digest(form.dump_json(value).decode()) != outer.get("sha256"):
        raise CaptureError(f"{file}: was changed after it was written: its content and its SHA-256 differ")
    return value


def _said(fault: ErrorDetails) -> str:
    return f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}"
