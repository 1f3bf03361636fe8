"""What every capture format comes down to: interfaces, records, and the bytes they are read from."""

from __future__ import annotations

import gzip
import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

# The longest packet that the common capture library writes or accepts (its MAXIMUM_SNAPLEN); a length field that says
# more is noise, and believing it would let 16 bytes ask for 4 GiB.
LONGEST_RECORD = 262_144
# Large enough that the loop over a buffer is where the time goes, small enough for a box with 512 MiB.
_CHUNK = 1 << 20
_GZIP = b"\x1f\x8b"


@dataclass(frozen=True, slots=True)
class Interface:
    """
    Where records were captured.

    `linktype` is a number of the LINKTYPE_ registry with its upper bits masked off; `name` is empty in formats without
    names. `fcs` says whether a frame check sequence ends each frame, None if the file doesn't tell.
    """

    linktype: int
    name: str = ""
    fcs: bool | None = None


# One captured frame: time since the epoch [ns], length on the wire [B], the bytes captured (fewer if cut by a snap
# length), interface. A plain tuple because millions are made; the hot loop unpacks it.
Record = tuple[int, int, bytes, Interface]


class Intake:
    """
    The bytes of a file or a pipe in chunks, unpacked if they are gzip's; what goes wrong on the way is `fault`.

    `on_chunk` is called after each chunk, for showing progress.
    """

    def __init__(self, stream: IO[bytes], on_chunk: Callable[[], None] | None = None) -> None:
        self.fault: str | None = None
        self._on_chunk = on_chunk
        head = _fill(stream, len(_GZIP))
        if head == _GZIP:
            self._stream: IO[bytes] = gzip.GzipFile(fileobj=_Joined(head, stream), mode="rb")  # type: ignore[assignment]
            self._held = b""
        else:
            self._stream = stream
            self._held = head

    def read(self) -> bytes:
        """Give the next chunk, b"" at the end."""
        if self._held:
            held, self._held = self._held, b""
            return held
        try:
            chunk = self._stream.read(_CHUNK)
        except (EOFError, OSError, zlib.error) as error:
            self.fault = f"reading stopped: {error}"
            return b""
        if self._on_chunk is not None:
            self._on_chunk()
        return chunk

    def at_least(self, buffer: bytes, wanted: int) -> bytes:
        """Append chunks to `buffer` until it has `wanted` bytes or there are no more."""
        while len(buffer) < wanted:
            chunk = self.read()
            if not chunk:
                break
            buffer += chunk
        return buffer


class _Joined:
    """A stream whose first bytes were already taken: gzip needs them back, and a pipe can't be wound back."""

    def __init__(self, head: bytes, stream: IO[bytes]) -> None:
        self._head = head
        self._stream = stream

    def read(self, size: int = -1) -> bytes:
        if self._head:
            head, self._head = self._head, b""
            return head
        return self._stream.read(size)


def _fill(stream: IO[bytes], size: int) -> bytes:
    """Read `size` bytes even from a pipe that gives fewer at a time; fewer only at the end."""
    data = b""
    while len(data) < size:
        more = stream.read(size - len(data))
        if not more:
            break
        data += more
    return data
