"""The listener's filter, tried by the kernel itself: a local datagram socket runs it over whatever is sent to it."""

from __future__ import annotations

import ctypes
import random
import socket
import struct
from typing import TYPE_CHECKING

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.dns import DNS
from scapy.layers.inet import ICMP, IP, TCP, UDP, IPOption
from scapy.layers.inet6 import (
    ICMPv6EchoRequest,
    ICMPv6MLReport2,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_Redirect,
    IPv6,
    IPv6ExtHdrHopByHop,
    RouterAlert,
)
from scapy.layers.l2 import ARP, LLC, SNAP, Dot1AD, Dot1Q, Dot3, Ether
from scapy.packet import Raw

from netaudit.errors import OutOfRange
from netaudit.observe.census_message import PORTS, read_message
from netaudit.wire.bpf import JUMP_EQUAL, LOAD_HALF, RETURN, Assembler, listening_filter
from netaudit.wire.ethernet import decode_ethernet

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scapy.packet import Packet

SO_ATTACH_FILTER = 26  # asm-generic/socket.h
HOST = {"dst": "00:00:5e:00:53:01", "src": "00:00:5e:00:53:02"}
GROUP = {"dst": "01:00:5e:00:00:fb", "src": "00:00:5e:00:53:02"}
NET = {"src": "192.0.2.1", "dst": "192.0.2.2"}
NET6 = {"src": "fe80::1", "dst": "fe80::2"}


class Filtered:
    """A pair of local datagram sockets, the far one with a filter."""

    def __init__(self, program: bytes) -> None:
        self._near, self._far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._far.settimeout(0)
        code = ctypes.create_string_buffer(program, len(program))
        head = struct.pack("@HP", len(program) // 8, ctypes.addressof(code))
        self._far.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, head)

    def passes(self, frame: bytes) -> bytes | None:
        """Send a frame through the filter; give what arrives, None if nothing does."""
        try:
            self._near.send(frame)
        except PermissionError:  # how a local socket says that the far end's filter refused it
            return None
        try:
            return self._far.recv(65536)
        except BlockingIOError:
            return None

    def close(self) -> None:
        """Close both ends."""
        self._near.close()
        self._far.close()


@pytest.fixture
def kernel() -> Iterator[Filtered]:
    """Give a socket with the listener's filter."""
    filtered = Filtered(listening_filter(PORTS))
    yield filtered
    filtered.close()


def udp(port: int, **link: str) -> Packet:
    """Give a datagram to a port."""
    return Ether(**(link or HOST)) / IP(**NET) / UDP(sport=40000, dport=port) / Raw(b"data")


TELLING = {
    "ARP": Ether(**HOST) / ARP(),
    "ARP with a tag": Ether(**HOST) / Dot1Q(vlan=5) / ARP(),
    "ARP with a provider's tag": Ether(**HOST) / Dot1AD(vlan=5, type=0x0806) / Raw(bytes(ARP())),
    "ARP behind SNAP": Dot3(**HOST) / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x0806) / Raw(bytes(ARP())),
    "LLDP to a host": Ether(**HOST, type=0x88CC) / Raw(b"\x02\x07"),
    "DHCP renewal": Ether(**HOST) / IP(**NET) / UDP(sport=68, dport=67) / BOOTP() / DHCP(options=["end"]),
    "DHCP with IP options": Ether(**HOST)
    / IP(**NET, options=[IPOption(b"\x01")] * 8)
    / UDP(sport=68, dport=67)
    / Raw(b"x"),
    "mDNS answer to a host": Ether(**HOST) / IP(**NET) / UDP(sport=5353, dport=40000) / DNS(),
    "mDNS with a tag": Ether(**HOST) / Dot1Q(vlan=5) / IP(**NET) / UDP(sport=5353, dport=5353) / DNS(),
    "SSDP": udp(1900),
    "a first fragment": Ether(**HOST) / IP(**NET, flags="MF") / UDP(sport=5353, dport=5353) / Raw(b"x"),
    "mDNS over IPv6": Ether(**HOST) / IPv6(**NET6) / UDP(sport=5353, dport=5353) / DNS(),
    "DHCPv6": Ether(**HOST) / IPv6(**NET6) / UDP(sport=546, dport=547) / Raw(b"x"),
    "neighbour solicitation": Ether(**HOST) / IPv6(**NET6) / ICMPv6ND_NS(),
    "neighbour advertisement": Ether(**HOST) / IPv6(**NET6) / ICMPv6ND_NA(),
    "redirect": Ether(**HOST) / IPv6(**NET6) / ICMPv6ND_Redirect(),
    "listener report": Ether(**HOST) / IPv6(**NET6) / IPv6ExtHdrHopByHop(options=[RouterAlert()]) / ICMPv6MLReport2(),
    "anything to a group": Ether(**GROUP) / IP(**NET) / UDP(sport=5004, dport=5004) / Raw(b"sound"),
    "anything to everybody": Ether(dst="ff:ff:ff:ff:ff:ff", src=HOST["src"], type=0x1234) / Raw(b"?"),
    "spanning tree": Dot3(dst="01:80:c2:00:00:00", src=HOST["src"])
    / LLC(dsap=0x42, ssap=0x42, ctrl=3)
    / Raw(b"\0" * 35),
}
DULL = {
    "TCP": Ether(**HOST) / IP(**NET) / TCP(sport=5353, dport=67),
    "ping": Ether(**HOST) / IP(**NET) / ICMP(),
    "DNS": udp(53),
    "a later fragment": Ether(**HOST) / IP(**NET, frag=10, proto=17) / Raw(struct.pack("!HHHH", 5353, 5353, 8, 0)),
    "TCP over IPv6": Ether(**HOST) / IPv6(**NET6) / TCP(sport=5353, dport=546),
    "ping over IPv6": Ether(**HOST) / IPv6(**NET6) / ICMPv6EchoRequest(),
    "UDP over IPv6": Ether(**HOST) / IPv6(**NET6) / UDP(sport=1000, dport=2000),
    "TCP with a tag": Ether(**HOST) / Dot1Q(vlan=5) / IP(**NET) / TCP(sport=5353, dport=67),
    "UDP with a tag": Ether(**HOST) / Dot1Q(vlan=5) / IP(**NET) / UDP(sport=1000, dport=2000),
    "LLC": Dot3(**HOST) / LLC(dsap=0x42, ssap=0x42, ctrl=3) / Raw(b"\0" * 35),
    "IP behind SNAP": Dot3(**HOST) / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x0800) / Raw(b"\0" * 40),
    "an unknown type": Ether(**HOST, type=0x1234) / Raw(b"?" * 60),
    "nothing at all": Raw(b""),
    "a cut header": Raw(bytes(Ether(**HOST, type=0x0806))),
}


@pytest.mark.parametrize("frame", TELLING.values(), ids=TELLING.keys())
def test_what_tells_who_is_there_passes_whole(kernel: Filtered, frame: Packet) -> None:
    """The kernel hands the frame over, every byte of it."""
    assert kernel.passes(bytes(frame)) == bytes(frame)


@pytest.mark.parametrize("frame", [packet for name, packet in DULL.items() if name != "a cut header"])
def test_what_tells_nothing_stays_in_the_kernel(kernel: Filtered, frame: Packet) -> None:
    """The kernel drops the frame."""
    assert kernel.passes(bytes(frame)) is None


def test_whatever_the_census_would_read_passes(kernel: Filtered) -> None:
    """Two ways agree: a frame, whole, flipped or cut, from which a message is decoded is one that the filter passes."""
    chance = random.Random(5)
    decoded = 0
    for packet in (*TELLING.values(), *DULL.values()):
        good = bytes(packet)
        for _ in range(120):
            frame = bytearray(good)
            for _ in range(chance.randrange(3)):
                if frame:
                    frame[chance.randrange(len(frame))] ^= 1 << chance.randrange(8)
            data = bytes(frame[: chance.randrange(len(frame) + 1)]) if chance.random() < 0.2 else bytes(frame)
            link = decode_ethernet(data)
            message = None if link is None else read_message(link.ethertype, link.payload, link.target)
            # Behind two tags or other IPv6 headers only what goes to a group passes: nobody speaks so on a home's wire.
            if message is None or message.body is None or link is None or len(link.vlans) > 1:
                continue
            if link.ethertype == 0x86DD and link.payload[6] not in (0, 17, 58):
                continue
            decoded += 1
            assert kernel.passes(data) is not None, data.hex()
    assert decoded > 500


def test_a_frame_is_handed_over_as_far_as_wanted() -> None:
    """With a most of 60 bytes, 60 arrive."""
    filtered = Filtered(listening_filter([67], most=60))
    frame = bytes(Ether(**HOST) / ARP() / Raw(bytes(100)))
    assert filtered.passes(frame) == frame[:60]
    filtered.close()


def test_a_program_with_a_wrong_jump_is_refused() -> None:
    """A label that is missing, set twice, or farther than a jump reaches: said before the kernel would."""
    code = Assembler()
    code.emit(LOAD_HALF, 12)
    code.jump(JUMP_EQUAL, 1, "nowhere")
    with pytest.raises(OutOfRange, match="nowhere"):
        code.assemble()
    code.label("twice")
    with pytest.raises(OutOfRange, match="set twice"):
        code.label("twice")
    far = Assembler()
    far.jump(JUMP_EQUAL, 1, "end")
    for _ in range(300):
        far.emit(LOAD_HALF, 0)
    far.label("end")
    far.emit(RETURN, 0)
    with pytest.raises(OutOfRange, match="300 instructions"):
        far.assemble()
    with pytest.raises(OutOfRange, match="not 0"):
        Assembler().assemble()
