"""UDP (RFC 768)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.wire.checksum import internet_checksum, pseudo_header

if TYPE_CHECKING:
    from ipaddress import IPv4Address, IPv6Address

PROTOCOL = 17
_HEADER = struct.Struct("!HHHH")


@dataclass(frozen=True, slots=True)
class Udp:
    """One UDP datagram; `payload` ends where the header says, and is shorter if the capture was cut."""

    source_port: int
    target_port: int
    payload: bytes


def decode_udp(segment: bytes) -> Udp | None:
    """Read a UDP datagram; None if it is cut inside its header or says that it is shorter than that. Never raises."""
    if len(segment) < _HEADER.size:
        return None
    source_port, target_port, length, _ = _HEADER.unpack_from(segment)
    if length < _HEADER.size:
        return None
    return Udp(source_port, target_port, segment[_HEADER.size : length])


def encode_udp(
    source: IPv4Address | IPv6Address,
    target: IPv4Address | IPv6Address,
    source_port: int,
    target_port: int,
    payload: bytes,
) -> bytes:
    """Give a UDP datagram with its checksum; a sum of 0 is sent as 0xffff (RFC 768)."""
    length = _HEADER.size + len(payload)
    plain = _HEADER.pack(source_port, target_port, length, 0) + payload
    checksum = internet_checksum(pseudo_header(source, target, PROTOCOL, length) + plain) or 0xFFFF
    return _HEADER.pack(source_port, target_port, length, checksum) + payload
