"""TCP's header (RFC 9293), as far as it takes to ask whether a port is there."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.wire.checksum import internet_checksum, pseudo_header

if TYPE_CHECKING:
    from ipaddress import IPv4Address, IPv6Address

PROTOCOL = 6
SYN, RST, ACK = 0x02, 0x04, 0x10
_HEADER = struct.Struct("!HHIIBBHHH")
# RFC 9293, 3.1: words of 32 bits in the upper half of the octet; a SYN of ours has no options.
_FIVE_WORDS = 5 << 4
# Nothing is to be received: any window will do. common practice, no source
_WINDOW = 1024


@dataclass(frozen=True, slots=True)
class Tcp:
    """One TCP header without its options."""

    source_port: int
    target_port: int
    sequence: int
    acknowledgement: int
    flags: int


def decode_tcp(segment: bytes) -> Tcp | None:
    """Read a TCP header; None if it is cut or says that it is shorter than it can be. Never raises."""
    if len(segment) < _HEADER.size:
        return None
    source_port, target_port, sequence, acknowledgement, offset, flags, *_ = _HEADER.unpack_from(segment)
    if offset < _FIVE_WORDS:
        return None
    return Tcp(source_port, target_port, sequence, acknowledgement, flags)


def encode_syn(
    source: IPv4Address | IPv6Address,
    target: IPv4Address | IPv6Address,
    source_port: int,
    target_port: int,
    *,
    sequence: int,
) -> bytes:
    """Give the segment that asks for a connection, with its checksum."""

    def head(checksum: int) -> bytes:
        return _HEADER.pack(source_port, target_port, sequence, 0, _FIVE_WORDS, SYN, _WINDOW, checksum, 0)

    return head(internet_checksum(pseudo_header(source, target, PROTOCOL, _HEADER.size) + head(0)))
