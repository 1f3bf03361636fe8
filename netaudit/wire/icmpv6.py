"""ICMPv6: echo (RFC 4443) and neighbour discovery (RFC 4861): who is there, who has which address, who routes."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv6Address

from netaudit.wire.checksum import internet_checksum, pseudo_header
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv6 import ETHERTYPE, ICMPV6, encode_ipv6

ECHO_REQUEST = 128
ECHO_REPLY = 129
ROUTER_SOLICITATION = 133
ROUTER_ADVERTISEMENT = 134
NEIGHBOUR_SOLICITATION = 135
NEIGHBOUR_ADVERTISEMENT = 136
# RFC 4861, 7.1 and 6.1: what comes with less went through a router, so it can't be a neighbour.
NEIGHBOUR_HOP_LIMIT = 255

_ECHO = struct.Struct("!BBHHH")
_RA = struct.Struct("!BBHBBHII")
_NEIGHBOUR = struct.Struct("!BBHI16s")
_PREFIX = struct.Struct("!BBBBIII16s")
_SOURCE_LINK = 1
_TARGET_LINK = 2
_PREFIX_INFORMATION = 3
# A router advertises a handful of options; the smallest has 8 octets, so one full packet could hold 180 of them.
_MOST_OPTIONS = 64


@dataclass(frozen=True, slots=True)
class Icmpv6:
    """One ICMPv6 message of any kind (`kind` is its type); echo messages have `identifier` and `sequence`."""

    kind: int
    code: int
    identifier: int | None
    sequence: int | None
    data: bytes


@dataclass(frozen=True, slots=True)
class Prefix:
    """A prefix that a router announces, with its lifetimes [s]; 0xffffffff stands for "for ever" (RFC 4861, 4.6.2)."""

    prefix: IPv6Address
    length: int
    on_link: bool
    autonomous: bool
    valid_s: int
    preferred_s: int


@dataclass(frozen=True, slots=True)
class Neighbour:
    """
    One message of neighbour discovery: router or neighbour, solicitation or advertisement.

    `target` is the address asked for or advertised (None in router messages). `source_link` and `target_link` are the
    link-layer addresses of the options. Router advertisements have `router_lifetime_s` (0: no default router) and
    `prefixes`; `managed` and `other` are their flags for DHCPv6. `solicited` and `override` belong to advertisements.
    """

    kind: int
    target: IPv6Address | None
    source_link: bytes | None
    target_link: bytes | None
    is_router: bool = False
    solicited: bool = False
    override: bool = False
    router_lifetime_s: int | None = None
    managed: bool = False
    other: bool = False
    prefixes: tuple[Prefix, ...] = ()


def decode_icmpv6(payload: bytes) -> Icmpv6 | None:
    """Read any ICMPv6 message; None if it is shorter than the header of its kind. Never raises."""
    if len(payload) < 4:
        return None
    if payload[0] not in (ECHO_REQUEST, ECHO_REPLY):
        return Icmpv6(payload[0], payload[1], None, None, payload[4:])
    if len(payload) < _ECHO.size:
        return None
    kind, code, _, identifier, sequence = _ECHO.unpack_from(payload)
    return Icmpv6(kind, code, identifier, sequence, payload[_ECHO.size :])


def decode_neighbour(payload: bytes) -> Neighbour | None:
    """
    Read a message of neighbour discovery from an ICMPv6 payload; None for other kinds or if cut short. Never raises.

    RFC 4861, 6.1 and 7.1 also ask for hop limit 255, which is in the IP header: the caller's part. A broken option ends
    the reading (4.6: a length of 0 makes the packet void); the options before it count only if it was merely cut off.
    """
    if len(payload) < 8:
        return None
    kind = payload[0]
    if payload[1] != 0:
        return None
    if kind == ROUTER_SOLICITATION:
        options = _options(payload[8:])
        return None if options is None else Neighbour(kind, None, _link(options, _SOURCE_LINK), None)
    if kind == ROUTER_ADVERTISEMENT:
        if len(payload) < _RA.size:
            return None
        _, _, _, _, flags, lifetime_s, _, _ = _RA.unpack_from(payload)
        options = _options(payload[_RA.size :])
        if options is None:
            return None
        return Neighbour(
            kind,
            None,
            _link(options, _SOURCE_LINK),
            None,
            is_router=True,
            router_lifetime_s=lifetime_s,
            managed=bool(flags & 0x80),
            other=bool(flags & 0x40),
            prefixes=tuple(_prefix(body) for number, body in options if _is_prefix(number, body)),
        )
    if kind not in (NEIGHBOUR_SOLICITATION, NEIGHBOUR_ADVERTISEMENT) or len(payload) < _NEIGHBOUR.size:
        return None
    _, _, _, flags, target = _NEIGHBOUR.unpack_from(payload)
    options = _options(payload[_NEIGHBOUR.size :])
    if options is None:
        return None
    if kind == NEIGHBOUR_SOLICITATION:
        return Neighbour(kind, IPv6Address(target), _link(options, _SOURCE_LINK), None)
    return Neighbour(
        kind,
        IPv6Address(target),
        None,
        _link(options, _TARGET_LINK),
        is_router=bool(flags & 0x80000000),
        solicited=bool(flags & 0x40000000),
        override=bool(flags & 0x20000000),
    )


def _options(data: bytes) -> list[tuple[int, bytes]] | None:
    """Split the options into (number, whole option); None if one has length 0; one that is cut off ends the list."""
    options: list[tuple[int, bytes]] = []
    while len(data) >= 2 and len(options) < _MOST_OPTIONS:
        size = data[1] * 8
        if size == 0:
            return None
        if len(data) < size:
            break
        options.append((data[0], data[:size]))
        data = data[size:]
    return options


def _link(options: list[tuple[int, bytes]], number: int) -> bytes | None:
    """Find an Ethernet address among the options (RFC 2464, 6: one unit of 8 octets, 6 of them the address)."""
    for found, body in options:
        if found == number and len(body) == 8:
            return body[2:8]
    return None


def _is_prefix(number: int, body: bytes) -> bool:
    return number == _PREFIX_INFORMATION and len(body) == _PREFIX.size and body[2] <= 128


def _prefix(body: bytes) -> Prefix:
    _, _, length, flags, valid_s, preferred_s, _, prefix = _PREFIX.unpack(body)
    return Prefix(IPv6Address(prefix), length, bool(flags & 0x80), bool(flags & 0x40), valid_s, preferred_s)


def _summed(source: IPv6Address, target: IPv6Address, message: bytes) -> bytes:
    checksum = internet_checksum(pseudo_header(source, target, ICMPV6, len(message)) + message)
    return message[:2] + struct.pack("!H", checksum) + message[4:]


def encode_neighbour_solicitation(source_mac: bytes, source: IPv6Address, target: IPv6Address) -> bytes:
    """
    Give the whole frame that asks by multicast who has `target`.

    Source:    RFC 4861, 4.3 and 7.2.2; RFC 4291, 2.7.1 (solicited-node address); RFC 2464, 7 (its Ethernet address).
    With `source` `::` it is a probe for a duplicate (RFC 4862, 5.4.2) and carries no option.
    """
    group = IPv6Address(b"\xff\x02" + bytes(9) + b"\x01\xff" + target.packed[13:])
    option = b"" if source == IPv6Address(0) else bytes((_SOURCE_LINK, 1)) + source_mac
    message = _summed(source, group, _NEIGHBOUR.pack(NEIGHBOUR_SOLICITATION, 0, 0, 0, target.packed) + option)
    packet = encode_ipv6(source, group, ICMPV6, message, hop_limit=NEIGHBOUR_HOP_LIMIT)
    return encode_ethernet(b"\x33\x33" + group.packed[12:], source_mac, ETHERTYPE, packet)


def encode_neighbour_advertisement(
    source_mac: bytes, target_mac: bytes, source: IPv6Address, target: IPv6Address, *, is_router: bool = False
) -> bytes:
    """Give the whole frame that answers a solicitation: `source` is at `source_mac` (RFC 4861, 4.4)."""
    flags = (0x80000000 if is_router else 0) | 0x60000000
    option = bytes((_TARGET_LINK, 1)) + source_mac
    head = _NEIGHBOUR.pack(NEIGHBOUR_ADVERTISEMENT, 0, 0, flags, source.packed)
    packet = encode_ipv6(source, target, ICMPV6, _summed(source, target, head + option), hop_limit=NEIGHBOUR_HOP_LIMIT)
    return encode_ethernet(target_mac, source_mac, ETHERTYPE, packet)


def encode_echo_request6(
    source_mac: bytes,
    target_mac: bytes,
    source: IPv6Address,
    target: IPv6Address,
    *,
    identifier: int,
    sequence: int,
    data: bytes = b"",
) -> bytes:
    """Give the whole frame of an ICMPv6 echo request to a MAC that is already known (RFC 4443, 4.1)."""
    message = _summed(source, target, _ECHO.pack(ECHO_REQUEST, 0, 0, identifier, sequence) + data)
    # RFC 3542 leaves the hop limit to the sender; 64 as for IPv4.
    return encode_ethernet(
        target_mac, source_mac, ETHERTYPE, encode_ipv6(source, target, ICMPV6, message, hop_limit=64)
    )
