from __future__ import annotations

from ipaddress import IPv4Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP
from scapy.layers.l2 import Ether
from scapy.packet import Raw

from netaudit.wire.icmp import ECHO_REPLY, ECHO_REQUEST, Icmp, decode_icmp, encode_echo, encode_echo_request
from tests.wire.abuse import repeatable

shorts = st.integers(0, 65535)
payloads = st.binary(max_size=60)


@repeatable
@given(kind=st.sampled_from([0, 8]), identifier=shorts, sequence=shorts, data=payloads)
def test_echo_is_read_and_written_as_scapy_does(kind: int, identifier: int, sequence: int, data: bytes) -> None:
    """The same bytes both ways, checksum included."""
    message = bytes(ICMP(type=kind, id=identifier, seq=sequence) / Raw(data))
    assert decode_icmp(message) == Icmp(kind, 0, identifier, sequence, data, sound=True)
    assert encode_echo(kind, identifier, sequence, data) == message


def test_other_kinds_have_no_identifier() -> None:
    """A port unreachable: type and code, and the packet that it is about."""
    about = bytes(IP(src="192.0.2.1", dst="192.0.2.2", proto=17) / Raw(b"12345678"))
    message = decode_icmp(bytes(ICMP(type=3, code=3) / Raw(about)))
    assert message == Icmp(3, 3, None, None, about, sound=True)


def test_a_wrong_checksum_is_read_and_marked() -> None:
    """One flipped bit of the data makes a message unsound."""
    good = encode_echo(ECHO_REPLY, 1, 2, b"data")
    message = decode_icmp(good[:-1] + bytes([good[-1] ^ 1]))
    assert message is not None
    assert not message.sound


@pytest.mark.parametrize("size", [0, 1, 56])
def test_a_whole_echo_frame(size: int) -> None:
    """Scapy finds addresses, identifier, sequence and data where they belong, and agrees with both checksums."""
    a, b = bytes.fromhex("00005e005301"), bytes.fromhex("00005e005302")
    here, there = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")
    frame = encode_echo_request(a, b, here, there, identifier=7, sequence=9, data=bytes(size))
    read = Ether(frame)
    assert (read.src, read.dst, read[IP].src, read[IP].dst) == (a.hex(":"), b.hex(":"), str(here), str(there))
    assert (read[ICMP].type, read[ICMP].id, read[ICMP].seq) == (ECHO_REQUEST, 7, 9)
    packet = frame[14 : 14 + read[IP].len]
    rebuilt = IP(packet)
    del rebuilt.chksum
    del rebuilt[ICMP].chksum
    assert bytes(rebuilt) == packet
