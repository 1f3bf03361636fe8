"""Reading captures into a census: one file after the other, in bounded memory."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from netaudit.errors import CaptureError
from netaudit.observe.census import Census
from netaudit.observe.census_sort import FrameSorter
from netaudit.wire.capture import open_capture
from netaudit.wire.link import is_readable, link_name

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


@dataclass(frozen=True, slots=True)
class FileRead:
    """One capture that was read: frames in it, those captured only in part, a cut end, names it carries."""

    file: str
    frames: int
    snapped: int
    cut: str | None
    names: tuple[tuple[str, str], ...]


def read_capture(
    sorter: FrameSorter, stream: IO[bytes], name: str, on_chunk: Callable[[], None] | None = None
) -> FileRead:
    """
    Feed all frames of a capture to `sorter`, which is not settled yet: more files may follow.

    Raises:    CaptureError: it is no capture, or all of it is of link types that we don't read; the message starts
               with `name`.
    """
    try:
        reader = open_capture(stream, on_chunk)
    except CaptureError as error:
        raise CaptureError(f"{name}: {error}") from error
    _refuse(reader.linktypes, name)
    sorter.take(reader)
    _refuse(reader.linktypes, name)
    return FileRead(name, reader.frames, reader.snapped, reader.cut, tuple(reader.names.items()))


def take_census(files: Iterable[str]) -> Census:
    """
    Read captures, one after the other, into one census.

    Raises:    CaptureError: a file can't be read, or as `read_capture`; the message starts with its name.
    """
    census = Census()
    sorter = FrameSorter(census)
    for name in files:
        try:
            with Path(name).open("rb") as stream:
                read_capture(sorter, stream, name)
        except OSError as error:
            raise CaptureError(f"{name}: {error.strerror or error}") from error
    sorter.settle()
    return census


def _refuse(linktypes: set[int], name: str) -> None:
    """Refuse a file of which we could read nothing: silence about it would look like a silent network."""
    if linktypes and not any(is_readable(linktype) for linktype in linktypes):
        found = ", ".join(f"{link_name(linktype)} ({linktype})" for linktype in sorted(linktypes)[:4])
        raise CaptureError(
            f"{name}: its link type is {found}; capture again on Ethernet, a cooked interface or 802.11 with radiotap"
        )
