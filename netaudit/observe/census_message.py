"""From a frame's payload to the one message in it that says something about a device, or None: decoding only."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from netaudit.wire import arp, icmpv6, ipv4, ipv6, udp
from netaudit.wire.arp import Arp, decode_arp
from netaudit.wire.dhcp4 import Dhcp4, decode_dhcp4
from netaudit.wire.dhcp6 import Dhcp6, decode_dhcp6
from netaudit.wire.dns import DnsMessage, decode_dns
from netaudit.wire.icmpv6 import Neighbour, decode_neighbour
from netaudit.wire.lldp import Lldp, decode_lldp
from netaudit.wire.ssdp import Ssdp, decode_ssdp

ARP = arp.ETHERTYPE
RARP = 0x8035
LLDP = 0x88CC

_DHCP4_PORTS = (67, 68)
_DHCP6_PORTS = (546, 547)
_MDNS_PORT = 5353
_LLMNR_PORT = 5355
_SSDP_PORT = 1900
# The UDP ports whose datagrams are decoded; all others are only counted.
PORTS = frozenset((*_DHCP4_PORTS, *_DHCP6_PORTS, _MDNS_PORT, _LLMNR_PORT, _SSDP_PORT))

_EVERYBODY = IPv4Address("255.255.255.255")
_BROADCAST = b"\xff" * 6

Body = Arp | Neighbour | Dhcp4 | Dhcp6 | DnsMessage | Ssdp | Lldp


@dataclass(frozen=True, slots=True)
class Message:
    """
    One message: its protocol, and its body; None if it could not be read.

    `source` is the IP address it came from, `is_near` whether that sender must be on this segment: no router passes on
    what was sent to a link-local group or to everybody.
    """

    protocol: str
    body: Body | None
    source: IPv4Address | IPv6Address | None = None
    is_near: bool = False


def read_message(ethertype: int | None, payload: bytes, target: bytes | None) -> Message | None:
    """Decode what follows the link header; None for traffic that says nothing about who is there. Never raises."""
    if ethertype == ARP:
        return Message("arp", decode_arp(payload))
    if ethertype == ipv4.ETHERTYPE:
        return _read_ipv4(payload, target)
    if ethertype == ipv6.ETHERTYPE:
        return _read_ipv6(payload)
    if ethertype == LLDP:
        return Message("lldp", decode_lldp(payload))
    if ethertype == RARP:
        return Message("rarp", None)
    return None


def is_near(target: IPv4Address | IPv6Address, link_target: bytes | None) -> bool:
    """
    Does a packet to `target` stay on its segment, so that its source address is its sender's?

    Source:    RFC 919, 7 (limited broadcast), RFC 5771, 4 (224.0.0.0/24), RFC 4291, 2.7 (scope 2); a link broadcast to
               some network's own broadcast address counts too, as routers don't forward these (RFC 2644, 2).
    """
    if isinstance(target, IPv6Address):
        return target.packed[0] == 0xFF and target.packed[1] & 0x0F <= 2
    return target == _EVERYBODY or target.packed[:3] == b"\xe0\x00\x00" or link_target == _BROADCAST


def _read_ipv4(payload: bytes, link_target: bytes | None) -> Message | None:
    packet = ipv4.decode_ipv4(payload)
    if packet is None or packet.protocol != ipv4.UDP or packet.fragment_offset:
        return None
    return _read_udp(packet.payload, packet.source, near=is_near(packet.target, link_target))


def _read_ipv6(payload: bytes) -> Message | None:
    packet = ipv6.decode_ipv6(payload)
    if packet is None or packet.fragment_offset:
        return None
    near = is_near(packet.target, None)
    if packet.protocol == ipv6.UDP:
        return _read_udp(packet.payload, packet.source, near=near)
    if packet.protocol != ipv6.ICMPV6 or not packet.payload[:1]:
        return None
    if not icmpv6.ROUTER_SOLICITATION <= packet.payload[0] <= icmpv6.NEIGHBOUR_ADVERTISEMENT:
        return None
    # RFC 4861, 6.1 and 7.1: whatever came with a smaller hop limit may have been sent from anywhere.
    near = packet.hop_limit == icmpv6.NEIGHBOUR_HOP_LIMIT
    return Message("nd", decode_neighbour(packet.payload), packet.source, near)


def _read_udp(segment: bytes, source: IPv4Address | IPv6Address, *, near: bool) -> Message | None:
    datagram = udp.decode_udp(segment)
    if datagram is None:
        return None
    ports = (datagram.source_port, datagram.target_port)
    data = datagram.payload
    if _MDNS_PORT in ports:
        return Message("mdns", decode_dns(data), source, near)
    if _SSDP_PORT in ports:
        return Message("ssdp", decode_ssdp(data), source, near)
    if _LLMNR_PORT in ports:
        return Message("llmnr", decode_dns(data), source, near)
    if isinstance(source, IPv4Address) and any(port in _DHCP4_PORTS for port in ports):
        return Message("dhcp", decode_dhcp4(data), source, near)
    if isinstance(source, IPv6Address) and any(port in _DHCP6_PORTS for port in ports):
        return Message("dhcp6", decode_dhcp6(data), source, near)
    return None
