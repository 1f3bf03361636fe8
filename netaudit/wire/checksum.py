"""The Internet checksum: one's complement sum of 16-bit words (RFC 1071)."""

from __future__ import annotations

import struct
from ipaddress import IPv4Address, IPv6Address


def internet_checksum(data: bytes | bytearray) -> int:
    """
    Sum `data` as RFC 1071 says, 0..0xffff, ready to be stored; 0 over a message that carries its right checksum.

    Source:    RFC 1071, 1 (and 4.1: an odd last byte is padded with zero on the right).
    """
    # 2 ** 16 leaves 1 when divided by 0xffff, so the one's complement sum of the words is what the whole number leaves.
    rest = int.from_bytes(data, "big") * (256 if len(data) % 2 else 1) % 0xFFFF
    # A rest of 0 is one's complement's other zero, 0xffff, unless all words are zero.
    return 0xFFFF - rest if rest or not any(data) else 0


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
