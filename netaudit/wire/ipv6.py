"""The IPv6 header and the extension headers on the way to what it carries (RFC 8200)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv6Address

ETHERTYPE = 0x86DD
HOP_BY_HOP = 0
TCP = 6
UDP = 17
ROUTING = 43
FRAGMENT = 44
AUTHENTICATION = 51
ICMPV6 = 58
DESTINATION = 60

_HEADER = struct.Struct("!IHBB16s16s")
_FRAGMENT = struct.Struct("!BBHI")
_IN_EIGHTS = frozenset((HOP_BY_HOP, ROUTING, DESTINATION))
# RFC 8200, 4.1 recommends at most six extension headers, destination options twice; more is odd or hostile, and a chain
# of the shortest ones (8 octets) would make one packet cost thousands of steps.
_MOST_EXTENSIONS = 8


@dataclass(frozen=True, slots=True)
class Ipv6:
    """
    One IPv6 packet, or a fragment of one, with its extension headers taken off.

    `protocol` is the first next-header value that is no extension header; `payload` starts there. `fragment_offset` is
    in octets; only a fragment at offset 0 starts with the header that `protocol` names.
    """

    source: IPv6Address
    target: IPv6Address
    protocol: int
    hop_limit: int
    fragment_offset: int
    more_fragments: bool
    payload: bytes


def decode_ipv6(packet: bytes) -> Ipv6 | None:
    """
    Read an IPv6 packet; None if it isn't version 6 or is cut inside one of its headers. Never raises.

    The payload ends where the header says; of a jumbogram (RFC 2675, length 0 behind a hop-by-hop header) nothing is
    read, as no Ethernet carries one.
    """
    if len(packet) < _HEADER.size:
        return None
    first, length, protocol, hop_limit, source, target = _HEADER.unpack_from(packet)
    if first >> 28 != 6:
        return None
    payload = packet[_HEADER.size : _HEADER.size + length]
    offset, more = 0, False
    for _ in range(_MOST_EXTENSIONS):
        if protocol in _IN_EIGHTS:
            if len(payload) < 2:
                return None
            size = (payload[1] + 1) * 8
        elif protocol == AUTHENTICATION:
            if len(payload) < 2:
                return None
            size = (payload[1] + 2) * 4  # RFC 4302, 2.2: in 32-bit words, minus 2
        elif protocol == FRAGMENT and offset == 0:
            if len(payload) < _FRAGMENT.size:
                return None
            protocol, _, flags, _ = _FRAGMENT.unpack_from(payload)
            offset, more = flags & 0xFFF8, bool(flags & 1)
            payload = payload[_FRAGMENT.size :]
            if offset:
                break
            continue
        else:
            break
        if len(payload) < size:
            return None
        protocol, payload = payload[0], payload[size:]
    else:
        return None
    return Ipv6(IPv6Address(source), IPv6Address(target), protocol, hop_limit, offset, more, payload)


def encode_ipv6(source: IPv6Address, target: IPv6Address, protocol: int, payload: bytes, *, hop_limit: int) -> bytes:
    """Give an IPv6 packet without extension headers."""
    return _HEADER.pack(6 << 28, len(payload), protocol, hop_limit, source.packed, target.packed) + payload
