"""Everything heard is hostile: whatever comes, the collectors neither raise nor fill up, and hear the good frame after it."""

from __future__ import annotations

import random
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import TYPE_CHECKING, Any

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import ICMP, IP, UDP
from scapy.layers.inet6 import ICMPv6ND_NA, ICMPv6NDOptDstLLAddr, IPv6
from scapy.layers.l2 import ARP, Ether
from scapy.packet import Raw

from netaudit.observe.dhcp_servers import _offer
from netaudit.observe.echo import EchoTarget, _PacketWay, _Round
from netaudit.observe.sweep import MOST_RIVALS, _Sweep
from netaudit.observe.sweep6 import MOST_ADDRESSES, _Sweep6

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

OWN = "02:ff:00:00:00:01"
PEER = "02:00:00:00:00:05"
NET, NET6 = IPv4Network("192.0.2.0/24"), IPv6Network("2001:db8::/64")
ROUNDS = 20_000


class _Wire:
    """A packet socket that gives the frames of a list, and takes all."""

    mac = bytes.fromhex(OWN.replace(":", ""))

    def __init__(self) -> None:
        self.frames: list[bytes] = []

    def send(self, _frame: bytes) -> bool:
        return True

    def receive(self) -> Iterator[tuple[bytes, int]]:
        frames, self.frames = self.frames, []
        yield from ((frame, 10) for frame in frames)


def _damaged(good: bytes, dice: random.Random) -> bytes:
    """Cut it, change some octets, or make it noise behind a header that still fits."""
    frame = bytearray(good)
    for _ in range(dice.randrange(1, 6)):
        frame[dice.randrange(len(frame))] = dice.randrange(256)
    kind = dice.randrange(3)
    if kind == 0:
        return bytes(frame[: dice.randrange(len(frame))])
    if kind == 1:
        return bytes(frame)
    return bytes(frame[: dice.randrange(14, 60)]) + dice.randbytes(dice.randrange(200))


def _arp_sweep(wire: _Wire) -> tuple[Any, Callable[[], bool]]:
    running = _Sweep(wire, NET, IPv4Address("192.0.2.1"), {IPv4Address("192.0.2.1")}, lambda: 1)  # type: ignore[arg-type]

    def sound() -> bool:
        assert len(running.claims) <= NET.num_addresses
        assert all(len(claim.macs) <= MOST_RIVALS for claim in running.claims.values())
        return int(IPv4Address("192.0.2.5")) in running.claims

    return running, sound


def _nd_sweep(wire: _Wire) -> tuple[Any, Callable[[], bool]]:
    running = _Sweep6(wire, [NET6], 7)  # type: ignore[arg-type]

    def sound() -> bool:
        assert len(running.seen) <= MOST_ADDRESSES
        return IPv6Address("2001:db8::5") in running.answered

    return running, sound


ARP_REPLY = bytes(Ether(src=PEER, dst=OWN) / ARP(op=2, hwsrc=PEER, psrc="192.0.2.5", hwdst=OWN, pdst="192.0.2.1"))
ADVERTISEMENT = bytes(
    Ether(src=PEER, dst=OWN)
    / IPv6(src="2001:db8::5", dst="fe80::1", hlim=255)
    / ICMPv6ND_NA(tgt="2001:db8::5", R=0, S=1, O=1)
    / ICMPv6NDOptDstLLAddr(lladdr=PEER)
)


@pytest.mark.parametrize(("start", "good"), [(_arp_sweep, ARP_REPLY), (_nd_sweep, ADVERTISEMENT)], ids=["arp", "nd"])
def test_sweeps_bear_noise_and_hear_the_good_frame_after_it(
    start: Callable[[_Wire], tuple[Any, Callable[[], bool]]], good: bytes
) -> None:
    """Twenty thousand damaged frames, then a good one."""
    dice, wire = random.Random(20), _Wire()
    running, sound = start(wire)
    wire.frames = [_damaged(good, dice) for _ in range(ROUNDS)] + [good]
    running.hear()
    assert sound()


@pytest.mark.parametrize(("start", "good"), [(_arp_sweep, ARP_REPLY), (_nd_sweep, ADVERTISEMENT)], ids=["arp", "nd"])
def test_a_flood_of_made_up_neighbours_fills_nothing(
    start: Callable[[_Wire], tuple[Any, Callable[[], bool]]], good: bytes
) -> None:
    """The good one first, then twenty thousand well-formed claims with made-up addresses and MACs: bounds hold."""
    dice, wire = random.Random(21), _Wire()
    running, sound = start(wire)
    wire.frames = [good]
    peer = bytes.fromhex(PEER.replace(":", ""))
    address = IPv4Address("192.0.2.5").packed if good is ARP_REPLY else IPv6Address("2001:db8::5").packed
    for _ in range(ROUNDS):
        other = bytes([2]) + dice.randbytes(5)
        made = address[:-1] + dice.randbytes(1) if good is ARP_REPLY else address[:8] + dice.randbytes(8)
        wire.frames.append(good.replace(peer, other).replace(address, made))
    running.hear()
    assert sound()


async def test_echo_bears_noise_and_hears_the_good_answer_after_it() -> None:
    """Damaged answers raise nothing and the whole one after them counts."""
    dice, wire = random.Random(22), _Wire()
    way = _PacketWay(wire, IPv4Address("192.0.2.1"), 7)  # type: ignore[arg-type]
    running = _Round(way, 1.0, lambda: 5)
    running.send(EchoTarget("device:x", IPv4Address("192.0.2.5"), PEER))
    data = running.secret + (0).to_bytes(4, "big") + bytes(44)
    answer = bytes(Ether(src=PEER, dst=OWN) / IP(src="192.0.2.5", dst="192.0.2.1") / ICMP(type=0, id=7) / Raw(data))
    wire.frames = [_damaged(answer, dice) for _ in range(ROUNDS)] + [answer]
    running.hear()
    assert running.open == 0


def test_offers_bear_noise() -> None:
    """Damaged offers raise nothing, and the whole one is still read."""
    dice, own = random.Random(23), bytes.fromhex(OWN.replace(":", ""))
    head = (
        Ether(src=PEER, dst="ff:ff:ff:ff:ff:ff") / IP(src="192.0.2.5", dst="255.255.255.255") / UDP(sport=67, dport=68)
    )
    options = DHCP(options=[("message-type", "offer"), ("server_id", "192.0.2.5"), ("lease_time", 60), "end"])
    offer = bytes(head / BOOTP(op=2, chaddr=own, xid=7, yiaddr="192.0.2.9") / options)
    for _ in range(ROUNDS):
        _offer(_damaged(offer, dice), 7, own)
    assert _offer(offer, 7, own) is not None
