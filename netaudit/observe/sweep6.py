"""
Who speaks IPv6 on this segment: all nodes are pinged at once, guessed addresses are asked for, neighbours overheard.

A /64 can't be asked address by address (2 to the power 64). What is left: an echo to all nodes (answering is a "may",
RFC 4443, 4.2, so a miss proves nothing), neighbour solicitations for addresses that are likely (heard before, or made
from known MACs as RFC 4291, appendix A says), and every neighbour message that comes by meanwhile.
"""

from __future__ import annotations

import asyncio
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import IPv6Address, IPv6Network
from typing import TYPE_CHECKING

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import How, Sighting
from netaudit.observe.pace import POLITE_HZ, Pace
from netaudit.observe.packet_socket import PacketSocket, icmpv6_filter, own_addresses6
from netaudit.observe.permitted import check_address, check_network
from netaudit.wire.ethernet import decode_ethernet, mac_text
from netaudit.wire.icmpv6 import (
    ECHO_REPLY,
    NEIGHBOUR_ADVERTISEMENT,
    NEIGHBOUR_HOP_LIMIT,
    NEIGHBOUR_SOLICITATION,
    decode_icmpv6,
    decode_neighbour,
    encode_echo_request6,
    encode_neighbour_solicitation,
)
from netaudit.wire.ipv6 import ETHERTYPE, decode_ipv6

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

LINK_LOCAL = IPv6Network("fe80::/10")
ALL_NODES = IPv6Address("ff02::1")
ALL_NODES_MAC = bytes.fromhex("333300000001")
NOBODY = IPv6Address(0)
# A device has a link-local address, one or two lasting ones and up to a handful of temporary ones per prefix (RFC 8981
# keeps a week of daily ones): 4,096 is room for some 500 devices, and bounds what a flood of made-up addresses can fill.
MOST_ADDRESSES = 4096


@dataclass(frozen=True, slots=True)
class Sweep6Result:
    """What was seen, by address; `forgotten` counts addresses beyond what is kept, `drops` frames that the kernel lost."""

    sightings: tuple[Sighting, ...]
    frames_sent: int
    unsent: int
    forgotten: int
    drops: int
    elapsed_s: float


class _Sweep6:
    """One sweep while it runs."""

    def __init__(self, sock: PacketSocket, networks: Sequence[IPv6Network], identifier: int) -> None:
        self.sock = sock
        self.networks = networks
        self.identifier = identifier
        self.seen: dict[tuple[IPv6Address, bytes], tuple[int, How]] = {}
        self.answered: set[IPv6Address] = set()
        self.frames_sent = self.unsent = self.forgotten = 0

    def send(self, frame: bytes) -> None:
        if self.sock.send(frame):
            self.frames_sent += 1
        else:
            self.unsent += 1

    def hear(self) -> None:
        """Read what has come in; each message says of one address at which MAC it is."""
        for frame, stamp_ns in self.sock.receive():
            link = decode_ethernet(frame)
            packet = decode_ipv6(link.payload) if link is not None and not link.vlans else None
            if link is None or packet is None or link.source is None or packet.fragment_offset:
                continue
            if packet.hop_limit == NEIGHBOUR_HOP_LIMIT:
                neighbour = decode_neighbour(packet.payload)
                if neighbour is not None:
                    if neighbour.kind == NEIGHBOUR_ADVERTISEMENT and neighbour.target is not None:
                        # Without the option (allowed in answers to unicast, RFC 4861, 4.4) the frame's sender is meant.
                        self.note(neighbour.target, neighbour.target_link or link.source, stamp_ns, How.ND)
                    elif neighbour.kind == NEIGHBOUR_SOLICITATION and packet.source == NOBODY and neighbour.target:
                        # Someone probes whether the address is free (RFC 4862, 5.4): not yet theirs.
                        continue
                    else:
                        self.note(packet.source, neighbour.source_link or link.source, stamp_ns, How.ND)
                    continue
            echo = decode_icmpv6(packet.payload)
            if echo is not None and echo.kind == ECHO_REPLY and echo.identifier == self.identifier:
                self.note(packet.source, link.source, stamp_ns, How.ECHO)

    def note(self, address: IPv6Address, mac: bytes, stamp_ns: int, how: How) -> None:
        """Keep an address of the given networks or of the link itself, once per MAC."""
        ours = address in LINK_LOCAL or any(address in network for network in self.networks)
        if not ours or mac[0] & 1 or mac == self.sock.mac or (address, mac) in self.seen:
            return
        if len(self.seen) >= MOST_ADDRESSES:
            self.forgotten += 1
            return
        self.seen[address, mac] = (stamp_ns, how)
        self.answered.add(address)


def likely_addresses(macs: Iterable[bytes], networks: Iterable[IPv6Network]) -> list[IPv6Address]:
    """
    Give the addresses that these MACs have if they make them the old way, on the link and in each /64 given.

    Source:    RFC 4291, appendix A: ff:fe in the middle, the universal bit inverted.
    """
    prefixes = [IPv6Network("fe80::/64"), *(network for network in networks if network.prefixlen == 64)]
    made = []
    for mac in macs:
        identifier = int.from_bytes(bytes([mac[0] ^ 2]) + mac[1:3] + b"\xff\xfe" + mac[3:], "big")
        made += [prefix[identifier] for prefix in prefixes]
    return made


async def sweep6(
    interface: str,
    *,
    segment: str,
    networks: Sequence[IPv6Network] = (),
    candidates: Sequence[IPv6Address] = (),
    source: IPv6Address | None = None,
    pace_hz: float = POLITE_HZ,
    pace: Pace | None = None,
    retries: int = 2,
    timeout_s: float = 0.5,
) -> Sweep6Result:
    """
    Ping all nodes, solicit each candidate, repeat for the silent ones, and listen until `timeout_s` after the last frame.

    Args:      segment: its name in the plan; networks: of the plan, besides the link itself; candidates: likely
               addresses in them; source: our link-local address, None takes the interface's; pace_hz [frames/s];
               pace: shared with other looks, None makes one of pace_hz; retries: rounds after the first; timeout_s [s] after each round.
    Raises:    LookError: no right, no such interface, no IPv6 on it, or an address that is not ours to look at.
               OutOfRange: pace or retries.
    """
    for network in networks:
        check_network(network)
    for candidate in candidates:
        check_address(candidate, (LINK_LOCAL, *networks))
    if not 0 <= retries <= 10 or not 0 < timeout_s <= 60:
        raise OutOfRange(f"{retries} retries and {timeout_s:g} s of waiting: write 0 to 10, and more than 0 to 60")
    own = own_addresses6(interface)
    asks_as = source if source is not None else next((one for one in own if one in LINK_LOCAL), None)
    if asks_as is None:
        raise LookError(
            f"interface {interface} has no link-local IPv6 address: switch IPv6 on, or leave out the IPv6 sweep"
        )
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    pace = pace or Pace(pace_hz, now_s=began_s)
    identifier = secrets.randbelow(1 << 16)
    with PacketSocket(interface, ETHERTYPE, accept=icmpv6_filter(), all_multicast=True) as sock:
        running = _Sweep6(sock, networks, identifier)
        loop.add_reader(sock, running.hear)
        try:
            for attempt in range(retries + 1):
                frames = [
                    encode_echo_request6(
                        sock.mac, ALL_NODES_MAC, asks_as, ALL_NODES, identifier=identifier, sequence=attempt
                    ),
                    *(
                        encode_neighbour_solicitation(sock.mac, asks_as, candidate)
                        for candidate in candidates
                        if candidate not in running.answered and candidate not in own
                    ),
                ]
                for frame in frames:
                    await pace.turn()
                    running.send(frame)
                await asyncio.sleep(timeout_s)
            running.hear()
        finally:
            loop.remove_reader(sock)
        drops = sock.drops()
    return Sweep6Result(
        sightings=tuple(
            Sighting(datetime.fromtimestamp(stamp_ns / 1e9, UTC), segment, mac_text(mac), str(address), how)
            for (address, mac), (stamp_ns, how) in sorted(running.seen.items())
        ),
        frames_sent=running.frames_sent,
        unsent=running.unsent,
        forgotten=running.forgotten,
        drops=drops,
        elapsed_s=loop.time() - began_s,
    )
