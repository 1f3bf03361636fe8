from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.l2 import CookedLinux, CookedLinuxV2
from scapy.packet import Raw

from netaudit.wire.cooked import decode_cooked, decode_cooked2
from netaudit.wire.ethernet import Link
from tests.wire.abuse import repeatable

A = bytes.fromhex("00005e005301")
types = st.integers(0x0600, 0xFFFF).filter(lambda kind: kind not in (0x8100, 0x88A8, 0x9100, 0x9200))
payloads = st.binary(max_size=60)
# Packet types of LINKTYPE_LINUX_SLL: to us, broadcast, multicast, to somebody else, sent by us.
packet_types = st.integers(0, 4)


@repeatable
@given(kind=types, payload=payloads, packet_type=packet_types)
def test_version_1(kind: int, payload: bytes, packet_type: int) -> None:
    """Source, type and payload as scapy wrote them; packet type 4 is outgoing."""
    head = CookedLinux(pkttype=packet_type, lladdrtype=1, lladdrlen=6, src=A + b"\0\0", proto=kind)
    assert decode_cooked(bytes(head / Raw(payload))) == Link(A, None, kind, payload, (), packet_type == 4)


@repeatable
@given(kind=types, payload=payloads, packet_type=packet_types)
def test_version_2_has_twenty_octets(kind: int, payload: bytes, packet_type: int) -> None:
    """The same from the longer header of version 2."""
    head = CookedLinuxV2(pkttype=packet_type, lladdrtype=1, lladdrlen=6, src=A + b"\0\0", proto=kind, ifindex=7)
    written = bytes(head / Raw(payload))
    assert len(written) == 20 + len(payload)
    assert decode_cooked2(written) == Link(A, None, kind, payload, (), packet_type == 4)


def test_a_tag_inside_a_cooked_frame() -> None:
    """What follows the protocol field is read as in Ethernet: a tag, then the type."""
    frame = struct.pack("!HHH8sH", 0, 1, 6, A + b"\0\0", 0x8100) + bytes.fromhex("007b0806") + b"arp"
    assert decode_cooked(frame) == Link(A, None, 0x0806, b"arp", (123,))


# LINKTYPE_LINUX_SLL: the address may be absent (loopback, tunnels); protocol 4 is LLC, 1 a raw 802.3 frame.
@pytest.mark.parametrize(
    ("size", "protocol", "payload", "expected"),
    [
        (0, 0x0800, b"ip", Link(None, None, 0x0800, b"ip")),
        (4, 0x0800, b"ip", Link(None, None, 0x0800, b"ip")),
        (6, 0x0004, bytes.fromhex("aaaa030000000806") + b"arp", Link(A, None, 0x0806, b"arp")),
        (6, 0x0004, b"\x42\x42\x03stp", Link(A, None, None, b"\x42\x42\x03stp")),
        (6, 0x0001, b"raw", Link(A, None, None, b"raw")),
    ],
)
def test_addresses_and_protocols_that_are_not_ethernet(
    size: int, protocol: int, payload: bytes, expected: Link
) -> None:
    """No source where the address isn't six octets, no EtherType where the protocol isn't one."""
    assert decode_cooked(struct.pack("!HHH8sH", 0, 1, size, A + b"\0\0", protocol) + payload) == expected
