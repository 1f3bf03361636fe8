"""ARP for IPv4 over Ethernet (RFC 826), and what RFC 5227 reads out of it: probe and announcement."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

ETHERTYPE = 0x0806
REQUEST = 1
REPLY = 2
BROADCAST = b"\xff" * 6

_ARP = struct.Struct("!HHBBH6s4s6s4s")
_ETHERNET = struct.Struct("!6s6sH")
_NOBODY = IPv4Address(0)
# IEEE 802.3, 3.2.8: a frame has at least 60 octets before its check sequence; the kernel doesn't pad raw sockets' frames.
_SHORTEST_FRAME = 60


@dataclass(frozen=True, slots=True)
class Arp:
    """One ARP message for IPv4 over Ethernet (RFC 826)."""

    operation: int
    sender_mac: bytes
    sender_ip: IPv4Address
    target_mac: bytes
    target_ip: IPv4Address

    @property
    def is_probe(self) -> bool:
        """Somebody asks whether an address is free: a request without a sender address (RFC 5227, 1.1)."""
        return self.operation == REQUEST and self.sender_ip == _NOBODY

    @property
    def is_announcement(self) -> bool:
        """Somebody says that an address is now theirs: sender and target address are equal (RFC 5227, 1.1 and 3)."""
        return self.sender_ip == self.target_ip and self.sender_ip != _NOBODY


def decode_arp(payload: bytes) -> Arp | None:
    """
    Read an ARP payload (what follows EtherType 0x0806); None if it is cut short or is not IPv4 over Ethernet.

    Reverse ARP has its own EtherType (0x8035) and must not be given to this function. Never raises.
    """
    if len(payload) < _ARP.size:
        return None
    hardware, protocol, mac_size, ip_size, operation, sha, spa, tha, tpa = _ARP.unpack_from(payload)
    if (hardware, protocol, mac_size, ip_size) != (1, 0x0800, 6, 4):
        return None
    return Arp(operation, sha, IPv4Address(spa), tha, IPv4Address(tpa))


def encode_arp(message: Arp) -> bytes:
    """Give the payload of an ARP message, without the frame around it."""
    return _ARP.pack(
        1,
        0x0800,
        6,
        4,
        message.operation,
        message.sender_mac,
        message.sender_ip.packed,
        message.target_mac,
        message.target_ip.packed,
    )


def encode_arp_request(sender_mac: bytes, sender_ip: IPv4Address, target_ip: IPv4Address) -> bytes:
    """
    Give the whole broadcast frame that asks who has `target_ip`, padded to the shortest frame Ethernet allows.

    With `sender_ip` 0.0.0.0 it is a probe (RFC 5227, 2.1.1), with `sender_ip` equal to `target_ip` an announcement.
    """
    request = encode_arp(Arp(REQUEST, sender_mac, sender_ip, bytes(6), target_ip))
    return (_ETHERNET.pack(BROADCAST, sender_mac, ETHERTYPE) + request).ljust(_SHORTEST_FRAME, b"\0")


def encode_arp_reply(message: Arp) -> bytes:
    """Give the whole unicast frame of a reply: `message` says who answers whom."""
    reply = encode_arp(message)
    return (_ETHERNET.pack(message.target_mac, message.sender_mac, ETHERTYPE) + reply).ljust(_SHORTEST_FRAME, b"\0")
