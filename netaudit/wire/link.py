"""
Which link layer a capture has, and its decoder: a new one is a new row here.

Source: the LINKTYPE_ registry of the capture formats (numbers); Linux, BSD and Windows families of LINKTYPE_NULL.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.wire import ipv4, ipv6
from netaudit.wire.cooked import decode_cooked, decode_cooked2
from netaudit.wire.ethernet import Link, decode_ethernet

if TYPE_CHECKING:
    from collections.abc import Callable

ETHERNET = 1
BARE_DOT11 = 105
RADIOTAP = 127
PPI = 192
AIR = (BARE_DOT11, RADIOTAP, PPI)

# AF_INET is 2 everywhere; AF_INET6 is 10 on Linux, 23 on Windows, 24, 28 or 30 on the BSDs.
_FAMILIES = {2: ipv4.ETHERTYPE, 10: ipv6.ETHERTYPE, 23: ipv6.ETHERTYPE}
_FAMILIES |= {24: ipv6.ETHERTYPE, 28: ipv6.ETHERTYPE, 30: ipv6.ETHERTYPE}


def decode_bare_ip(packet: bytes) -> Link | None:
    """Read a packet without any link header: its first half byte is the IP version. Never raises."""
    version = packet[0] >> 4 if packet else 0
    if version not in (4, 6):
        return None
    return Link(None, None, ipv4.ETHERTYPE if version == 4 else ipv6.ETHERTYPE, packet)


def decode_family(frame: bytes) -> Link | None:
    """Read a packet behind a four-byte address family, in the byte order of whoever captured it. Never raises."""
    if len(frame) < 4:
        return None
    little, big = int.from_bytes(frame[:4], "little"), int.from_bytes(frame[:4], "big")
    ethertype = _FAMILIES.get(little, _FAMILIES.get(big))
    return None if ethertype is None else Link(None, None, ethertype, frame[4:])


DECODERS: dict[int, Callable[[bytes], Link | None]] = {
    0: decode_family,
    ETHERNET: decode_ethernet,
    12: decode_bare_ip,
    101: decode_bare_ip,
    108: decode_family,
    113: decode_cooked,
    228: decode_bare_ip,
    229: decode_bare_ip,
    276: decode_cooked2,
}

# Names for messages about what we don't read, and for people.
NAMES = {
    0: "loopback",
    ETHERNET: "Ethernet",
    12: "IP",
    101: "IP",
    BARE_DOT11: "802.11",
    108: "loopback",
    113: "Linux cooked v1",
    RADIOTAP: "802.11 with radiotap",
    PPI: "802.11 with per-packet information",
    228: "IPv4",
    229: "IPv6",
    276: "Linux cooked v2",
}


def is_readable(linktype: int) -> bool:
    """Is there a decoder for this link type?"""
    return linktype in DECODERS or linktype in AIR


def link_name(linktype: int) -> str:
    """Name a link type for people: `Ethernet`, or `link type 147` where we know no name."""
    return NAMES.get(linktype, f"link type {linktype}")
