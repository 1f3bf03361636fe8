"""ICMP for IPv4 (RFC 792): echo, and what a failed delivery says."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.wire.checksum import internet_checksum
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import ETHERTYPE, ICMP, encode_ipv4

if TYPE_CHECKING:
    from ipaddress import IPv4Address

ECHO_REPLY = 0
UNREACHABLE = 3
ECHO_REQUEST = 8

_HEADER = struct.Struct("!BBHHH")


@dataclass(frozen=True, slots=True)
class Icmp:
    """
    One ICMP message: `kind` is its type.

    `identifier` and `sequence` belong to the echo messages and are None in all others; `data` is what follows the first
    eight octets. `sound` says whether the checksum fits: a capture that was cut has no sound long messages.
    """

    kind: int
    code: int
    identifier: int | None
    sequence: int | None
    data: bytes
    sound: bool


def decode_icmp(payload: bytes) -> Icmp | None:
    """Read an ICMP message (the payload of IPv4 protocol 1); None if it is shorter than its header. Never raises."""
    if len(payload) < _HEADER.size:
        return None
    kind, code, _, identifier, sequence = _HEADER.unpack_from(payload)
    sound = internet_checksum(payload) == 0
    if kind not in (ECHO_REQUEST, ECHO_REPLY):
        return Icmp(kind, code, None, None, payload[_HEADER.size :], sound)
    return Icmp(kind, code, identifier, sequence, payload[_HEADER.size :], sound)


def encode_echo(kind: int, identifier: int, sequence: int, data: bytes) -> bytes:
    """Give an ICMP echo request or reply (`kind` ECHO_REQUEST or ECHO_REPLY) with its checksum."""
    checksum = internet_checksum(_HEADER.pack(kind, 0, 0, identifier, sequence) + data)
    return _HEADER.pack(kind, 0, checksum, identifier, sequence) + data


def encode_echo_request(
    source_mac: bytes,
    target_mac: bytes,
    source_ip: IPv4Address,
    target_ip: IPv4Address,
    *,
    identifier: int,
    sequence: int,
    data: bytes = b"",
) -> bytes:
    """Give the whole Ethernet frame of an echo request to a MAC that is already known."""
    message = encode_echo(ECHO_REQUEST, identifier, sequence, data)
    return encode_ethernet(target_mac, source_mac, ETHERTYPE, encode_ipv4(source_ip, target_ip, ICMP, message))
