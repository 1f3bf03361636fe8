"""Which DHCP servers answer on a segment, and what they offer: one DISCOVER, no REQUEST, so no lease is taken."""

from __future__ import annotations

import asyncio
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import IPv4Address

from netaudit.errors import OutOfRange
from netaudit.observe.observation import Notice
from netaudit.observe.packet_socket import PacketSocket, udp_to_port_filter
from netaudit.wire.dhcp4 import OFFER, Dhcp4, decode_dhcp4, encode_dhcp4_discover
from netaudit.wire.ethernet import decode_ethernet, encode_ethernet, mac_text
from netaudit.wire.ipv4 import ETHERTYPE, UDP, decode_ipv4, encode_ipv4
from netaudit.wire.udp import decode_udp, encode_udp

BROADCAST_MAC = b"\xff" * 6
BROADCAST = IPv4Address("255.255.255.255")
NOBODY = IPv4Address(0)
CLIENT_PORT = 68
SERVER_PORT = 67
# Two servers are a fault or a fallback, three a finding; more is somebody making them up.
MOST_SERVERS = 16


@dataclass(frozen=True, slots=True)
class DhcpResult:
    """`notices` of kind `dhcp_server`, one per server and MAC, in order of appearance; `drops`: frames the kernel lost."""

    notices: tuple[Notice, ...]
    drops: int


async def dhcp_servers(interface: str, *, segment: str, timeout_s: float = 3.0) -> DhcpResult:
    """
    Ask for offers with our own MAC (so a server offers what it would give us anyway) and listen for `timeout_s`.

    A server may take a second to offer, as it first tries whether the address is free (RFC 2131, 2.2). The question
    goes out twice, as broadcasts get lost on radio; answers to either count. Each notice says the server's identifier, the
    MAC its frame came from, the address offered and the lease time [s].

    Raises:    LookError: no right or no such interface. OutOfRange: the time.
    """
    if not 0 < timeout_s <= 60:
        raise OutOfRange(f"waiting {timeout_s:g} s for offers: write over 0 to 60")
    loop = asyncio.get_running_loop()
    xid = secrets.randbits(32)
    found: dict[tuple[IPv4Address | None, bytes], Notice] = {}
    with PacketSocket(interface, ETHERTYPE, accept=udp_to_port_filter(CLIENT_PORT)) as sock:

        def hear() -> None:
            for frame, stamp_ns in sock.receive():
                heard = _offer(frame, xid, sock.mac)
                if heard is None:
                    continue
                offer, mac = heard
                if (offer.server_id, mac) not in found and len(found) < MOST_SERVERS:
                    found[offer.server_id, mac] = _notice(offer, mac, segment, stamp_ns)

        discover = encode_dhcp4_discover(sock.mac, xid)
        packet = encode_ipv4(NOBODY, BROADCAST, UDP, encode_udp(NOBODY, BROADCAST, CLIENT_PORT, SERVER_PORT, discover))
        frame = encode_ethernet(BROADCAST_MAC, sock.mac, ETHERTYPE, packet)
        loop.add_reader(sock, hear)
        try:
            for _ in range(2):
                sock.send(frame)
                await asyncio.sleep(timeout_s / 2)
            hear()
        finally:
            loop.remove_reader(sock)
        return DhcpResult(tuple(found.values()), sock.drops())


def _offer(frame: bytes, xid: int, own_mac: bytes) -> tuple[Dhcp4, bytes] | None:
    """Read a frame as an OFFER to us; gives it with the MAC that sent it."""
    link = decode_ethernet(frame)
    packet = decode_ipv4(link.payload) if link is not None else None
    datagram = decode_udp(packet.payload) if packet is not None else None
    offer = decode_dhcp4(datagram.payload) if datagram is not None else None
    if link is None or link.source is None or offer is None:
        return None
    if offer.message_type != OFFER or offer.xid != xid or offer.client_mac != mac_text(own_mac):
        return None
    return offer, link.source


def _notice(offer: Dhcp4, mac: bytes, segment: str, stamp_ns: int) -> Notice:
    said = {
        "address": None if offer.yiaddr is None else str(offer.yiaddr),
        "lease_s": None if offer.lease_s is None else str(offer.lease_s),
        "mac": mac_text(mac),
        "server": None if offer.server_id is None else str(offer.server_id),
    }
    detail = tuple((key, value) for key, value in sorted(said.items()) if value is not None)
    return Notice(datetime.fromtimestamp(stamp_ns / 1e9, UTC), f"segment:{segment}", "dhcp_server", detail)
