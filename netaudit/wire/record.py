"""What every capture format comes down to: interfaces, records, and the bytes they are read from."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

# The longest packet that the common capture library writes or accepts (its MAXIMUM_SNAPLEN); a length field that says
# more is noise, and believing it would let 16 bytes ask for 4 GiB.
LONGEST_RECORD = 262_144
# Measured: from 64 KiB to 256 KiB reading is equally fast, at 1 MiB a third slower (it no longer fits the core's cache).
_CHUNK = 1 << 17
_GZIP = b"\x1f\x8b"
_GZIP_BITS = 16 + zlib.MAX_WBITS  # zlib's way to say: the gzip wrapper, checked


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

    `on_chunk` is called after each chunk read, for showing progress.
    """

    def __init__(self, stream: IO[bytes], on_chunk: Callable[[], None] | None = None) -> None:
        self.fault: str | None = None
        self._stream = stream
        self._on_chunk = on_chunk
        self._held = _fill(stream, len(_GZIP))
        self._unpacker = zlib.decompressobj(_GZIP_BITS) if self._held == _GZIP else None

    def read(self) -> bytes:
        """Give the next chunk, b"" at the end."""
        if self._unpacker is None:
            return self._packed()
        while self.fault is None:
            if self._unpacker.eof:
                packed = self._unpacker.unused_data or self._packed()
                if not packed:
                    return b""
                self._unpacker = zlib.decompressobj(_GZIP_BITS)  # gzip files may be put one behind the other
            else:
                packed = self._unpacker.unconsumed_tail or self._packed()
                if not packed:
                    self.fault = "the gzip stream ends before its end"
                    return b""
            try:
                # Bounded on purpose: a few kilobytes of gzip can stand for gigabytes of zeros.
                plain = self._unpacker.decompress(packed, _CHUNK)
            except zlib.error as error:
                self.fault = f"the gzip stream is damaged ({error})"
                return b""
            if plain:
                return plain
        return b""

    def cut(self, rest: int, what: str, read: int) -> str | None:
        """Say how the bytes ended: None where they ended well, after `read` of what the file is made of, with none left."""
        if self.fault is not None:
            return f"{self.fault}, after {what} {read}"
        return f"the file ends inside {what} {read + 1}; {rest} bytes of it are there" if rest else None

    def at_least(self, buffer: bytes, wanted: int) -> bytes:
        """Append chunks to `buffer` until it has `wanted` bytes or there are no more."""
        while len(buffer) < wanted:
            chunk = self.read()
            if not chunk:
                break
            buffer += chunk
        return buffer

    def _packed(self) -> bytes:
        if self._held:
            held, self._held = self._held, b""
            return held
        try:
            chunk = self._stream.read(_CHUNK)
        except OSError as error:
            self.fault = f"reading stopped: {error.strerror or error}"
            return b""
        if self._on_chunk is not None:
            self._on_chunk()
        return chunk


def _fill(stream: IO[bytes], size: int) -> bytes:
    """Read `size` bytes even from a pipe that gives fewer at a time; fewer only at the end."""
    data = b""
    while len(data) < size:
        more = stream.read(size - len(data))
        if not more:
            break
        data += more
    return data
