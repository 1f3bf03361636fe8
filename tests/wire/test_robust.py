"""Every decoder of the lower layers against cut, flipped and random bytes: a value or None, never an exception."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from scapy.layers.inet import ICMP, IP, UDP, IPOption
from scapy.layers.inet6 import (
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    RouterAlert,
)
from scapy.layers.l2 import ARP, LLC, SNAP, CookedLinux, CookedLinuxV2, Dot1AD, Dot1Q, Dot3, Ether
from scapy.packet import Raw

from netaudit.observe.census_message import read_message
from netaudit.wire.arp import decode_arp
from netaudit.wire.cooked import decode_cooked, decode_cooked2
from netaudit.wire.ethernet import decode_ethernet
from netaudit.wire.icmp import decode_icmp
from netaudit.wire.icmpv6 import decode_icmpv6, decode_neighbour
from netaudit.wire.ipv4 import decode_ipv4
from netaudit.wire.ipv6 import decode_ipv6
from netaudit.wire.link import decode_bare_ip, decode_family
from netaudit.wire.udp import decode_udp
from tests.wire.abuse import noise, spoilt
from tests.wire.heard import frames

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def inside(packet: Any) -> bytes:
    """Give an ICMPv6 message with its checksum."""
    return bytes(IPv6(src="fe80::1", dst="fe80::2") / packet)[40:]


ARP_SAMPLE = bytes(ARP(hwsrc="00:00:5e:00:53:01", psrc="192.0.2.1", pdst="192.0.2.2"))
IP4 = bytes(
    IP(src="192.0.2.1", dst="192.0.2.2", options=[IPOption(b"\x01")] * 4) / UDP(sport=5353, dport=5353) / Raw(b"x")
)
IP6 = bytes(
    IPv6(src="fe80::1", dst="fe80::2")
    / IPv6ExtHdrHopByHop(options=[RouterAlert()])
    / IPv6ExtHdrFragment(offset=0, m=1)
    / UDP(sport=546, dport=547)
    / Raw(b"xy")
)
RA = inside(
    ICMPv6ND_RA() / ICMPv6NDOptPrefixInfo(prefix="2001:db8::") / ICMPv6NDOptSrcLLAddr(lladdr="00:00:5e:00:53:01")
)
FRAMES = [
    bytes(Ether() / Dot1AD(vlan=1) / Dot1Q(vlan=2) / ARP()),
    bytes(Ether() / Raw(IP4)),
    bytes(
        Dot3(dst="ff:ff:ff:ff:ff:ff") / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x0806) / Raw(ARP_SAMPLE)
    ),
]
SAMPLES: dict[str, tuple[Callable[[bytes], object], list[bytes]]] = {
    "arp": (decode_arp, [ARP_SAMPLE]),
    "ethernet": (decode_ethernet, FRAMES),
    "cooked": (decode_cooked, [bytes(CookedLinux(lladdrlen=6, proto=0x8100) / Raw(b"\0\1\x08\x06" + ARP_SAMPLE))]),
    "cooked2": (decode_cooked2, [bytes(CookedLinuxV2(lladdrlen=6, proto=0x0004) / Raw(FRAMES[2][14:]))]),
    "bare ip": (decode_bare_ip, [IP4, IP6]),
    "family": (decode_family, [b"\2\0\0\0" + IP4]),
    "ipv4": (decode_ipv4, [IP4]),
    "ipv6": (decode_ipv6, [IP6]),
    "udp": (decode_udp, [IP4[24:]]),
    "icmp": (decode_icmp, [bytes(ICMP() / Raw(b"data")), bytes(ICMP(type=3, code=1) / Raw(IP4))]),
    "icmpv6": (decode_icmpv6, [inside(ICMPv6EchoRequest(data=b"data")), RA]),
    "neighbour": (
        decode_neighbour,
        [
            RA,
            inside(ICMPv6ND_NS(tgt="fe80::2") / ICMPv6NDOptSrcLLAddr()),
            inside(ICMPv6ND_NA(tgt="fe80::2") / ICMPv6NDOptDstLLAddr()),
        ],
    ),
}


@pytest.mark.parametrize("name", SAMPLES)
def test_every_cut_and_every_flipped_bit(name: str) -> None:
    """The good samples are read; whatever is done to them, nothing is raised, and a good one is still read after."""
    decode, samples = SAMPLES[name]
    good = [decode(sample) for sample in samples]
    assert None not in good
    for data in spoilt(samples):
        decode(data)
    assert [decode(sample) for sample in samples] == good


@pytest.mark.parametrize("name", SAMPLES)
def test_noise(name: str) -> None:
    """Five thousand random inputs, half of them behind a good beginning: nothing is raised."""
    decode, samples = SAMPLES[name]
    for data in (*noise(2_500), *noise(2_500, samples[0][:8])):
        decode(data)


def test_real_frames_cut_and_flipped(captures: Path) -> None:
    """The same for frames of the shared captures, from the link header to the message inside."""
    tried = 0
    for file in ("packetnet_ipv6_ndp.pcap", "pcapplusplus_VlanPackets.pcap", "tcpdump_802.1ad_QinQ.pcap"):
        for _, frame, _ in frames(captures / file, 1):
            for data in spoilt([frame[:120]]):
                link = decode_ethernet(data)
                if link is not None:
                    read_message(link.ethertype, link.payload, link.target)
                tried += 1
    assert tried > 20_000
