from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6
from scapy.packet import Raw

from netaudit.wire.udp import Udp, decode_udp, encode_udp
from tests.wire.abuse import repeatable

ports = st.integers(0, 65535)
payloads = st.binary(max_size=60)


@repeatable
@given(source=ports, target=ports, payload=payloads, padding=st.binary(max_size=20))
def test_what_scapy_writes_we_read(source: int, target: int, payload: bytes, padding: bytes) -> None:
    """Ports and payload, which ends where the header says."""
    segment = bytes(IP(src="192.0.2.1", dst="192.0.2.2") / UDP(sport=source, dport=target) / Raw(payload))[20:]
    assert decode_udp(segment + padding) == Udp(source, target, payload)


@repeatable
@given(source=ports, target=ports, payload=payloads)
def test_our_checksums_are_scapys(source: int, target: int, payload: bytes) -> None:
    """Over IPv4 and IPv6 the whole datagram is byte for byte what scapy makes of the same fields."""
    here, there = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")
    packet = bytes(IP(src=str(here), dst=str(there)) / UDP(sport=source, dport=target) / Raw(payload))
    assert encode_udp(here, there, source, target, payload) == packet[20:]
    here6, there6 = IPv6Address("2001:db8::1"), IPv6Address("2001:db8::2")
    packet = bytes(IPv6(src=str(here6), dst=str(there6)) / UDP(sport=source, dport=target) / Raw(payload))
    assert encode_udp(here6, there6, source, target, payload) == packet[40:]


@pytest.mark.parametrize("length", [0, 7])
def test_a_length_below_the_header_is_not_read(length: int) -> None:
    """RFC 768: the length counts the header, so it is 8 at least."""
    assert decode_udp(b"\x14\xe9\x14\xe9\x00\x08\x00\x00") == Udp(5353, 5353, b"")
    assert decode_udp(b"\x14\xe9\x14\xe9\x00" + bytes([length]) + b"\x00\x00") is None
