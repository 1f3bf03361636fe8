"""
Programs for the kernel's classic packet filter, so that unwanted frames never reach this process.

Source: the filter machine of the BSD packet filter paper (S. McCanne, V. Jacobson, USENIX Winter 1993) as Linux has it:
Documentation/networking/filter.rst and include/uapi/linux/filter.h.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange
from netaudit.wire import arp, ipv4, ipv6
from netaudit.wire.ethernet import LONGEST_LENGTH, TAGS

if TYPE_CHECKING:
    from collections.abc import Iterable

# Operations that the programs here need; the number is class | size | mode of filter.h.
LOAD_BYTE = 0x30
LOAD_HALF = 0x28
LOAD_WORD = 0x20
LOAD_HALF_AT_X = 0x48
HEADER_TO_X = 0xB1  # X = 4 * (low half of the byte at k): the length of an IPv4 header
JUMP_EQUAL = 0x15
JUMP_MASK = 0x45  # true if any bit of k is set
JUMP_GREATER_EQUAL = 0x35
RETURN = 0x06

_INSTRUCTION = struct.Struct("=HBBI")
# A jump that is taken counts the instructions to skip in one byte.
_FARTHEST = 255
# The kernel takes no longer program (BPF_MAXINSNS).
_LONGEST = 4096

LLDP = 0x88CC
_FRAGMENT = 0x1FFF
_FIRST_ND, _LAST_ND = 133, 137  # router solicitation to redirect
_SNAP = 0xAAAA0300  # LLC header of SNAP and the first octet of RFC 1042's OUI


class Assembler:
    """
    Collects instructions whose jumps go to labels, and gives the program.

    `jump` names where to go when true and when false; None is the next instruction.
    """

    def __init__(self) -> None:
        self._code: list[tuple[int, int, str | None, str | None]] = []
        self._labels: dict[str, int] = {}

    def label(self, name: str) -> None:
        """
        Let jumps to `name` end here.

        Raises:    OutOfRange: the label is there already.
        """
        if name in self._labels:
            raise OutOfRange(f"label {name} is set twice")
        self._labels[name] = len(self._code)

    def emit(self, operation: int, value: int) -> None:
        """Append an instruction that doesn't jump."""
        self._code.append((operation, value, None, None))

    def jump(self, operation: int, value: int, true: str | None, false: str | None = None) -> None:
        """Append a comparison of the accumulator with `value`."""
        self._code.append((operation, value, true, false))

    def assemble(self) -> bytes:
        """
        Give the program as the kernel reads it.

        Raises:    OutOfRange: a label that is missing, behind the jump or too far away; a program that is too long.
        """
        if not 0 < len(self._code) <= _LONGEST:
            raise OutOfRange(f"a filter has 1 to {_LONGEST} instructions, not {len(self._code)}")
        return b"".join(
            _INSTRUCTION.pack(operation, self._distance(at, true), self._distance(at, false), value)
            for at, (operation, value, true, false) in enumerate(self._code)
        )

    def _distance(self, at: int, name: str | None) -> int:
        if name is None:
            return 0
        target = self._labels.get(name)
        if target is None:
            raise OutOfRange(f"the filter jumps to {name}, which is nowhere")
        distance = target - at - 1
        if not 0 <= distance <= _FARTHEST:
            raise OutOfRange(f"the filter jumps {distance} instructions to {name}; 0 to {_FARTHEST} are possible")
        return distance


def listening_filter(ports: Iterable[int], *, most: int = 0xFFFF) -> bytes:
    """
    Give the program of the passive listener: what tells who is there passes, conversations between hosts don't.

    Pass: everything to a group (that is what a switched port hears, and what the broadcast rate is counted from); to a
    single host ARP, LLDP, neighbour discovery, and UDP from or to `ports` unless it is a later fragment; all of that
    also behind one tag in the frame, and ARP behind LLC/SNAP. Of each frame at most `most` bytes are handed over.
    """
    wanted = sorted(set(ports))
    code = Assembler()
    code.emit(LOAD_BYTE, 0)
    code.jump(JUMP_MASK, 1, "pass")  # the group bit of the target
    code.emit(LOAD_HALF, 12)
    for tag in sorted(TAGS):
        code.jump(JUMP_EQUAL, tag, "tagged")
    code.jump(JUMP_GREATER_EQUAL, LONGEST_LENGTH + 1, "plain")
    code.emit(LOAD_WORD, 14)
    code.jump(JUMP_EQUAL, _SNAP, None, "drop")
    code.emit(LOAD_HALF, 20)
    code.jump(JUMP_EQUAL, arp.ETHERTYPE, "pass", "drop")
    code.label("plain")
    _by_type(code, 14, wanted, "plain")
    code.label("tagged")
    code.emit(LOAD_HALF, 16)
    _by_type(code, 18, wanted, "tagged")
    code.label("pass")
    code.emit(RETURN, most)
    code.label("drop")
    code.emit(RETURN, 0)
    return code.assemble()


def _by_type(code: Assembler, base: int, ports: list[int], place: str) -> None:
    """Go on by the EtherType in the accumulator; what it announces starts at `base`."""
    code.jump(JUMP_EQUAL, arp.ETHERTYPE, "pass")
    code.jump(JUMP_EQUAL, LLDP, "pass")
    code.jump(JUMP_EQUAL, ipv6.ETHERTYPE, f"{place} ipv6")
    code.jump(JUMP_EQUAL, ipv4.ETHERTYPE, None, "drop")
    code.emit(LOAD_BYTE, base + 9)
    code.jump(JUMP_EQUAL, ipv4.UDP, None, "drop")
    code.emit(LOAD_HALF, base + 6)
    code.jump(JUMP_MASK, _FRAGMENT, "drop")
    code.emit(HEADER_TO_X, base)
    for at in (base, base + 2):
        code.emit(LOAD_HALF_AT_X, at)
        for port in ports:
            code.jump(JUMP_EQUAL, port, "pass")
    code.emit(RETURN, 0)
    code.label(f"{place} ipv6")
    code.emit(LOAD_BYTE, base + 6)
    code.jump(JUMP_EQUAL, ipv6.UDP, f"{place} udp6")
    code.jump(JUMP_EQUAL, ipv6.HOP_BY_HOP, "pass")  # MLD and its like: few, and read in full
    code.jump(JUMP_EQUAL, ipv6.ICMPV6, None, "drop")
    code.emit(LOAD_BYTE, base + 40)
    code.jump(JUMP_GREATER_EQUAL, _FIRST_ND, None, "drop")
    code.jump(JUMP_GREATER_EQUAL, _LAST_ND + 1, "drop", "pass")
    code.label(f"{place} udp6")
    for at in (base + 40, base + 42):
        code.emit(LOAD_HALF, at)
        for port in ports:
            code.jump(JUMP_EQUAL, port, "pass")
    code.emit(RETURN, 0)
