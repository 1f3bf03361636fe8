"""The Internet checksum: one's complement sum of 16-bit words (RFC 1071)."""

from __future__ import annotations

import struct
from ipaddress import IPv4Address, IPv6Address


def internet_checksum(data: bytes) -> int:
    """
    Sum `data` as RFC 1071 says, 0..0xffff, ready to be stored; 0 over a message that carries its right checksum.

    Source:    RFC 1071, 1 (and 4.1: an odd last byte is padded with zero on the right).
    """
    padded = data + b"\0" if len(data) % 2 else data
    total: int = sum(struct.unpack(f"!{len(padded) // 2}H", padded))
    while total > 0xFFFF:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def pseudo_header(
    source: IPv4Address | IPv6Address, target: IPv4Address | IPv6Address, protocol: int, length: int
) -> bytes:
    """
    Give what UDP, TCP and ICMPv6 put before their own bytes when they sum them.

    Source:    RFC 768 (IPv4), RFC 8200, 8.1 (IPv6).
    """
    if isinstance(source, IPv4Address):
        return source.packed + target.packed + struct.pack("!HH", protocol, length)
    return source.packed + target.packed + struct.pack("!II", length, protocol)
