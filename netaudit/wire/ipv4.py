"""The IPv4 header (RFC 791): addresses, protocol, fragments."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from netaudit.wire.checksum import internet_checksum

ETHERTYPE = 0x0800
ICMP = 1
IGMP = 2
TCP = 6
UDP = 17

_HEADER = struct.Struct("!BBHHHBBH4s4s")
_MORE_FRAGMENTS = 0x2000
_DONT_FRAGMENT = 0x4000
_OFFSET = 0x1FFF


@dataclass(frozen=True, slots=True)
class Ipv4:
    """
    One IPv4 packet, or a fragment of one.

    `fragment_offset` is in octets; only the first fragment (offset 0) starts with the next protocol's header.
    `payload` ends where the header says, so Ethernet's padding is not in it; it is shorter if the capture was cut.
    """

    source: IPv4Address
    target: IPv4Address
    protocol: int
    ttl: int
    identification: int
    fragment_offset: int
    more_fragments: bool
    payload: bytes


def decode_ipv4(packet: bytes) -> Ipv4 | None:
    """
    Read an IPv4 packet; None if the header is cut short, isn't version 4 or contradicts itself. Never raises.

    A total length of 0 stands for "the whole frame": the sending kernel leaves it so when the card cuts the segments.
    """
    if len(packet) < _HEADER.size:
        return None
    first, _, total, identification, flags, ttl, protocol, _, source, target = _HEADER.unpack_from(packet)
    header = (first & 0x0F) * 4
    if first >> 4 != 4 or header < _HEADER.size or len(packet) < header:
        return None
    if total == 0:
        total = len(packet)
    if total < header:
        return None
    return Ipv4(
        IPv4Address(source),
        IPv4Address(target),
        protocol,
        ttl,
        identification,
        (flags & _OFFSET) * 8,
        bool(flags & _MORE_FRAGMENTS),
        packet[header:total],
    )


def encode_ipv4(source: IPv4Address, target: IPv4Address, protocol: int, payload: bytes, *, ttl: int = 64) -> bytes:
    """
    Give an unfragmented IPv4 packet with its header checksum.

    Identification is 0 with Don't Fragment, as RFC 6864, 4.1 allows for packets that are never cut up. A time to live
    of 64 is the recommended default of RFC 1700 ("IP option numbers", time to live).
    """
    head = _HEADER.pack(
        0x45,
        0,
        _HEADER.size + len(payload),
        0,
        _DONT_FRAGMENT,
        ttl,
        protocol,
        0,
        source.packed,
        target.packed,
    )
    return head[:10] + struct.pack("!H", internet_checksum(head)) + head[12:] + payload
