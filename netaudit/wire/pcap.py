"""
The classic capture format, read in both byte orders and both time resolutions, and written.

Source: draft-ietf-opsawg-pcap, 4 (file header) and 5 (packet record).
"""

from __future__ import annotations

import struct
from typing import IO, TYPE_CHECKING

from netaudit.errors import CaptureError
from netaudit.wire.record import LONGEST_RECORD, Intake, Interface, Record

if TYPE_CHECKING:
    from collections.abc import Iterator

# First four bytes -> byte order, nanoseconds in one unit of the fraction.
MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1_000),
    b"\xa1\xb2\xc3\xd4": (">", 1_000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
_HEADER_SIZE = 24
_RECORD_SIZE = 16
_FCS_KNOWN = 0x0400_0000
_FCS_LENGTH = 0xF000_0000


class PcapReader:
    """
    The records of one classic capture; iterate once.

    After the iteration `frames` says how many there were, `snapped` how many of them are shorter than they were on the
    wire, and `cut` what was wrong with the end of the file, None if nothing was.

    Raises:    CaptureError: the file header is cut short or is of a version that doesn't exist.
    """

    def __init__(self, intake: Intake, head: bytes) -> None:
        head = intake.at_least(head, _HEADER_SIZE)
        if len(head) < _HEADER_SIZE:
            raise CaptureError(f"the file ends inside its header: {len(head)} of {_HEADER_SIZE} bytes are there")
        order, self._scale_ns = MAGICS[head[:4]]
        major, minor, _, _, _, network = struct.unpack(f"{order}HHiIII", head[4:_HEADER_SIZE])
        if major != 2:
            raise CaptureError(f"pcap version {major}.{minor} is not known; only 2.x exists")
        fcs = bool(network & _FCS_LENGTH) if network & _FCS_KNOWN else None
        self.interface = Interface(network & 0xFFFF, fcs=fcs)
        self.linktypes = {self.interface.linktype}
        self.names: dict[str, str] = {}
        self.frames = self.snapped = 0
        self.cut: str | None = None
        self._record = struct.Struct(f"{order}IIII")
        self._intake = intake
        self._buffer = head[_HEADER_SIZE:]

    def __iter__(self) -> Iterator[Record]:
        unpack, scale_ns, interface = self._record.unpack_from, self._scale_ns, self.interface
        read, head, longest = self._intake.read, _RECORD_SIZE, LONGEST_RECORD
        buffer, position, count, snapped = self._buffer, 0, 0, 0
        while True:
            end = len(buffer)
            last = end - head
            while position <= last:
                seconds, fraction, captured, length = unpack(buffer, position)
                if captured > longest:
                    self.frames, self.snapped = count, snapped
                    self.cut = f"record {count + 1} says that it has {captured} bytes; reading stopped there"
                    return
                start = position + head
                stop = start + captured
                if stop > end:
                    break
                if captured < length:
                    snapped += 1
                yield seconds * 1_000_000_000 + fraction * scale_ns, length, buffer[start:stop], interface
                count += 1
                position = stop
            self.frames, self.snapped = count, snapped
            chunk = read()
            if not chunk:
                break
            buffer = buffer[position:] + chunk
            position = 0
        self.cut = self._intake.cut(len(buffer) - position, "record", self.frames)


class PcapWriter:
    """Writes a classic capture, little-endian, version 2.4, to a binary stream."""

    def __init__(self, stream: IO[bytes], linktype: int = 1, *, nanoseconds: bool = True) -> None:
        self._stream = stream
        self._scale_ns = 1 if nanoseconds else 1_000
        magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
        stream.write(struct.pack("<IHHiIII", magic, 2, 4, 0, 0, LONGEST_RECORD, linktype))

    def write(self, at_ns: int, frame: bytes, length: int | None = None) -> None:
        """Append one frame; `length` is what it had on the wire [B] if it was cut."""
        seconds, rest_ns = divmod(at_ns, 1_000_000_000)
        wire = len(frame) if length is None else length
        self._stream.write(struct.pack("<IIII", seconds, rest_ns // self._scale_ns, len(frame), wire) + frame)
