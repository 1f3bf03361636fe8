"""
The block-structured capture format: several interfaces, each with its own link type and clock; names of addresses.

Source: draft-ietf-opsawg-pcapng, 3 (blocks and options) and 4 (the blocks).
"""

from __future__ import annotations

import struct
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from netaudit.errors import CaptureError
from netaudit.wire.record import LONGEST_RECORD, Intake, Interface, Record

if TYPE_CHECKING:
    from collections.abc import Iterator

SECTION = b"\x0a\x0d\x0d\x0a"
_SECTION = 0x0A0D0D0A
_INTERFACE = 1
_PACKET = 2
_SIMPLE_PACKET = 3
_NAMES = 4
_ENHANCED_PACKET = 6
_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}

_OPTION_END = 0
_OPTION_NAME = 2
_OPTION_RESOLUTION = 9
_OPTION_FCS = 13
_OPTION_OFFSET = 14

# A block holds one packet or the options of one; sixteen times the longest packet leaves room for any comment and
# bounds what one length field can make us keep.
_LONGEST_BLOCK = 16 * LONGEST_RECORD
# A section of a real capture has a handful of interfaces; each costs us some hundred bytes, the sender 20.
_MOST_INTERFACES = 4096
# Names of addresses are a convenience of the writer; more than a site has devices is padding.
_MOST_NAMES = 4096
_LONGEST_NAME = 255


class _Clock:
    """How an interface counts time: units a second and an offset."""

    __slots__ = ("interface", "offset_ns", "scale_ns", "snaplen", "units")

    def __init__(self, interface: Interface, snaplen: int, units: int, offset_s: int) -> None:
        self.interface = interface
        self.snaplen = snaplen
        self.units = units
        # Whole nanoseconds a unit make the common case one multiplication; 0 stands for "divide".
        self.scale_ns = 1_000_000_000 // units if 1_000_000_000 % units == 0 else 0
        self.offset_ns = offset_s * 1_000_000_000


class PcapngReader:
    """
    The records of one capture; iterate once.

    After the iteration `frames` says how many there were, `snapped` how many of them are shorter than they were on the
    wire, `cut` what was wrong with the end of the file, None if nothing was; `names` are the addresses that the file
    itself names, `linktypes` those of all its interfaces.

    Raises:    CaptureError: the first section header is cut short or contradicts itself.
    """

    def __init__(self, intake: Intake, head: bytes) -> None:
        self.names: dict[str, str] = {}
        self.linktypes: set[int] = set()
        self.frames = self.snapped = 0
        self.cut: str | None = None
        self._intake = intake
        self._buffer = intake.at_least(head, 12)
        order = _ORDERS.get(self._buffer[8:12])
        if order is None:
            raise CaptureError("the section header has no byte-order mark; this is no pcapng file, or a damaged one")
        (length,) = struct.unpack_from(f"{order}I", self._buffer, 4)
        self._buffer = intake.at_least(self._buffer, min(length, _LONGEST_BLOCK))
        if length % 4 or not 28 <= length <= min(len(self._buffer), _LONGEST_BLOCK):
            raise CaptureError(f"the section header says that it has {length} bytes; the file is damaged or cut")
        if _options(self._buffer[24 : length - 4], order) is None:
            raise CaptureError("an option of the section header is longer than the header; the file is damaged")

    def __iter__(self) -> Iterator[Record]:
        read = self._intake.read
        buffer, position, blocks, at_ns = self._buffer, 0, 0, 0
        order = "<"
        head, enhanced = struct.Struct("<II"), struct.Struct("<IIIII")
        clocks: list[_Clock] = []
        while True:
            end = len(buffer)
            while end - position >= 12:
                kind, length = head.unpack_from(buffer, position)
                if kind == _SECTION:
                    known = _ORDERS.get(buffer[position + 8 : position + 12])
                    if known is None:
                        self.cut = f"block {blocks + 1} is a section header without a byte-order mark"
                        return
                    order, clocks = known, []
                    head, enhanced = struct.Struct(f"{order}II"), struct.Struct(f"{order}IIIII")
                    kind, length = head.unpack_from(buffer, position)
                if length < 12 or length % 4 or length > _LONGEST_BLOCK:
                    self.cut = f"block {blocks + 1} says that it has {length} bytes; reading stopped there"
                    return
                stop = position + length
                if stop > end:
                    break
                if kind == _ENHANCED_PACKET:
                    if length < 32:
                        self.cut = f"block {blocks + 1} is shorter than a packet's header; reading stopped there"
                        return
                    number, high, low, captured, wire = enhanced.unpack_from(buffer, position + 8)
                    start = position + 28
                    if number >= len(clocks) or start + captured > stop - 4:
                        self.cut = f"block {blocks + 1} has a wrong interface or length; reading stopped there"
                        return
                    clock = clocks[number]
                    units = (high << 32) + low
                    at_ns = clock.offset_ns + (
                        units * clock.scale_ns if clock.scale_ns else units * 1_000_000_000 // clock.units
                    )
                    self.frames += 1
                    self.snapped += captured < wire
                    yield at_ns, wire, buffer[start : start + captured], clock.interface
                elif kind == _INTERFACE:
                    made = _clock(buffer[position + 8 : stop - 4], order)
                    if made is None or len(clocks) == _MOST_INTERFACES:
                        self.cut = f"block {blocks + 1} describes an interface wrongly; reading stopped there"
                        return
                    clocks.append(made)
                    self.linktypes.add(made.interface.linktype)
                elif kind in (_SIMPLE_PACKET, _PACKET):
                    record = _older(kind, buffer[position + 8 : stop - 4], order, clocks, at_ns)
                    if record is None:
                        self.cut = f"block {blocks + 1} has a wrong interface or length; reading stopped there"
                        return
                    at_ns = record[0]
                    self.frames += 1
                    self.snapped += len(record[2]) < record[1]
                    yield record
                elif kind == _NAMES:
                    _read_names(buffer[position + 8 : stop - 4], order, self.names)
                blocks += 1
                position = stop
            chunk = read()
            if not chunk:
                break
            buffer = buffer[position:] + chunk
            position = 0
        self.cut = self._intake.cut(len(buffer) - position, "block", blocks)


def _older(kind: int, body: bytes, order: str, clocks: list[_Clock], last_ns: int) -> Record | None:
    """Read a simple packet block (which has no time: the last one stands in) or one of the obsolete packet blocks."""
    if kind == _SIMPLE_PACKET:
        if len(body) < 4 or not clocks:
            return None
        (wire,) = struct.unpack_from(f"{order}I", body)
        snaplen = clocks[0].snaplen or wire
        captured = min(wire, snaplen, len(body) - 4)
        return last_ns, wire, body[4 : 4 + captured], clocks[0].interface
    if len(body) < 20:
        return None
    number, _, high, low, captured, wire = struct.unpack_from(f"{order}HHIIII", body)
    if number >= len(clocks) or 20 + captured > len(body):
        return None
    clock = clocks[number]
    at_ns = clock.offset_ns + ((high << 32) + low) * 1_000_000_000 // clock.units
    return at_ns, wire, body[20 : 20 + captured], clock.interface


def _clock(body: bytes, order: str) -> _Clock | None:
    """Read an interface description; None if it is too short, or its options or its resolution make no sense."""
    if len(body) < 8:
        return None
    linktype, _, snaplen = struct.unpack_from(f"{order}HHI", body)
    options = _options(body[8:], order)
    if options is None:
        return None
    name, units, offset_s, fcs = "", 1_000_000, 0, None
    for code, value in options:
        if code == _OPTION_NAME:
            name = value.rstrip(b"\0").decode("utf-8", "replace")[:_LONGEST_NAME]
        elif code == _OPTION_RESOLUTION and len(value) >= 1:
            power = value[0] & 0x7F
            units = 1 << power if value[0] & 0x80 else 10**power
        elif code == _OPTION_FCS and len(value) >= 1:
            fcs = value[0] > 0
        elif code == _OPTION_OFFSET and len(value) == 8:
            (offset_s,) = struct.unpack(f"{order}q", value)
    return _Clock(Interface(linktype, name, fcs), snaplen, units, offset_s)


def _options(data: bytes, order: str) -> list[tuple[int, bytes]] | None:
    """Split options into (code, value); None if one says that it is longer than what is there."""
    options: list[tuple[int, bytes]] = []
    position = 0
    while len(data) - position >= 4:
        code, size = struct.unpack_from(f"{order}HH", data, position)
        if code == _OPTION_END:
            break
        position += 4
        if position + size > len(data):
            return None
        options.append((code, data[position : position + size]))
        position += size + (-size) % 4
    return options


def _read_names(body: bytes, order: str, names: dict[str, str]) -> None:
    """Add the address-name pairs of a name resolution block; a broken record ends the reading of this block."""
    position = 0
    while len(body) - position >= 4 and len(names) < _MOST_NAMES:
        kind, size = struct.unpack_from(f"{order}HH", body, position)
        value = body[position + 4 : position + 4 + size]
        if kind == 0 or len(value) < size:
            return
        width = {1: 4, 2: 16}.get(kind)
        if width is not None and size > width:
            address = IPv4Address(value[:4]) if width == 4 else IPv6Address(value[:16])
            name = value[width:].split(b"\0", 1)[0].decode("utf-8", "replace")[:_LONGEST_NAME]
            if name:
                names.setdefault(str(address), name)
        position += 4 + size + (-size) % 4
