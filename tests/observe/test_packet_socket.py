"""The packet socket: its stamps are the kernel's, its filter lets through what it should, addresses are the interface's."""

from __future__ import annotations

import select
import time
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

import pytest
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.l2 import Ether
from scapy.packet import Raw

from netaudit.errors import LookError
from netaudit.observe.packet_socket import (
    PacketSocket,
    echo_reply_filter,
    own_addresses,
    own_addresses6,
    udp_to_port_filter,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.lab.lan import Lab

IDENTIFIER = 0xBEEF


def _frames() -> dict[str, bytes]:
    """Give frames made by an independent library, by what they are."""
    ether = Ether(src="02:00:00:00:00:05", dst="02:ff:00:00:00:01")
    ip = IP(src="192.0.2.5", dst="192.0.2.1")
    reply = ICMP(type=0, id=IDENTIFIER, seq=7) / Raw(b"data")
    return {
        "ours": bytes(ether / ip / reply),
        "ours, header with options": bytes(ether / IP(src="192.0.2.5", dst="192.0.2.1", options=[b"\x01" * 4]) / reply),
        "ours, first fragment": bytes(ether / IP(src="192.0.2.5", dst="192.0.2.1", flags="MF") / reply),
        "another's": bytes(ether / ip / ICMP(type=0, id=0x1234, seq=7)),
        "a request": bytes(ether / ip / ICMP(type=8, id=IDENTIFIER, seq=7)),
        "unreachable": bytes(ether / ip / ICMP(type=3, code=1) / Raw(IDENTIFIER.to_bytes(2, "big") * 10)),
        "a later fragment": bytes(ether / IP(src="192.0.2.5", dst="192.0.2.1", frag=185, proto=1) / Raw(bytes(reply))),
        "not ICMP": bytes(ether / ip / UDP(sport=0, dport=IDENTIFIER) / Raw(IDENTIFIER.to_bytes(2, "big") * 10)),
        "cut": bytes(ether / ip / reply)[:36],
    }


def _listen(interface: str, seconds: float, accept: bytes) -> list[bytes]:
    with PacketSocket(interface, 0x0800, accept=accept) as sock:
        end, frames = time.monotonic() + seconds, []
        while (left := end - time.monotonic()) > 0:
            select.select([sock], [], [], left)
            frames += [frame for frame, _ in sock.receive()]
        return frames


def test_the_kernel_s_filter_lets_through_our_echo_replies_only(lab: Lab) -> None:
    """Of nine kinds of frames the three that are answers to us come through, whole and in order."""
    segment = lab.segment([], own=["192.0.2.1/24"])
    frames = _frames()

    def speak() -> None:
        for frame in frames.values():
            segment.send(frame)

    with lab.later(0.3, speak):
        heard = lab.call(_listen, segment.interface, 1.0, echo_reply_filter(IDENTIFIER))
    names = [name for got in heard for name, frame in frames.items() if got == frame]
    assert names == ["ours", "ours, header with options", "ours, first fragment"]
    assert len(heard) == 3


def test_the_kernel_s_filter_for_a_port_lets_through_that_port_only(lab: Lab) -> None:
    """UDP to port 68 comes through, with and without IP options; other ports, protocols and fragments don't."""
    segment = lab.segment([], own=["192.0.2.1/24"])
    ether = Ether(src="02:00:00:00:00:05", dst="02:ff:00:00:00:01")
    ip = IP(src="192.0.2.5", dst="192.0.2.1")
    wanted = UDP(sport=67, dport=68) / Raw(b"data")
    good = [ether / ip / wanted, ether / IP(src="192.0.2.5", dst="192.0.2.1", options=[b"\x01" * 4]) / wanted]
    bad = [
        ether / ip / UDP(sport=68, dport=67) / Raw(b"data"),
        ether / ip / TCP(sport=67, dport=68),
        ether / IP(src="192.0.2.5", dst="192.0.2.1", frag=185, proto=17) / Raw(bytes(wanted)),
    ]

    def speak() -> None:
        for frame in [*bad, *good, *bad]:
            segment.send(bytes(frame))

    with lab.later(0.3, speak):
        heard = lab.call(_listen, segment.interface, 1.0, udp_to_port_filter(68))
    assert heard == [bytes(frame) for frame in good]


def _stamps(interface: str) -> tuple[int, list[tuple[int, int]]]:
    """Give when listening began, and (first stamp, when we woke) for each time that something was read 50 ms late."""
    with PacketSocket(interface, 0x0806) as sock:
        began, found, count = time.time_ns(), [], 0
        while count < 5 and select.select([sock], [], [], 5)[0]:
            woke = time.time_ns()
            time.sleep(0.05)
            stamps = [stamp for _, stamp in sock.receive()]
            count += len(stamps)
            found.append((stamps[0], woke))
        return began, found


def test_stamps_are_from_the_arrival_not_from_the_reading(lab: Lab) -> None:
    """However long a frame waits to be read, its stamp is from when it came."""
    segment = lab.segment([], own=["192.0.2.1/24"])
    frame = b"\xff" * 6 + bytes.fromhex("020000000005") + b"\x08\x06" + bytes(46)

    def speak() -> None:
        for _ in range(5):
            segment.send(frame)
            time.sleep(0.1)

    with lab.later(0.1, speak):
        began, found = lab.call(_stamps, segment.interface)
    assert found
    for stamp, woke in found:
        assert began <= stamp <= woke


def test_addresses_are_those_of_the_interface_secondary_and_labelled_ones_too(lab: Lab) -> None:
    """As the `ip` program set them: none missing, none of another interface, the primary first."""
    one = lab.segment([], own=["192.0.2.1/24", "192.0.2.9/24", "2001:db8::1/64", "fe80::1/64"])
    other = lab.segment([], own=["198.51.100.1/24"])
    lab.ip(f"addr add 203.0.113.1/24 dev {one.interface} label {one.interface}:x")
    found = lab.call(own_addresses, one.interface)
    assert found[0] == IPv4Address("192.0.2.1")
    assert set(found) == {IPv4Address(text) for text in ("192.0.2.1", "192.0.2.9", "203.0.113.1")}
    assert lab.call(own_addresses, other.interface) == [IPv4Address("198.51.100.1")]
    assert lab.call(own_addresses, "nothing") == []
    assert set(lab.call(own_addresses6, one.interface)) == {IPv6Address("2001:db8::1"), IPv6Address("fe80::1")}


def test_no_ipv6_in_the_kernel_is_no_address(tmp_path: Path) -> None:
    """Without the kernel's table there is no IPv6 address, and no error."""
    assert own_addresses6("eth0", table=tmp_path / "absent") == []


def _open(interface: str) -> None:
    PacketSocket(interface, 0x0806).close()


def test_a_missing_interface_is_said(lab: Lab) -> None:
    """The error names the interface and how to see which there are."""
    with pytest.raises(LookError, match="interface eth99: No such device"):
        lab.call(_open, "eth99")
