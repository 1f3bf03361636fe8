from __future__ import annotations

from ipaddress import IPv4Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import IP, IPOption
from scapy.packet import Raw

from netaudit.wire.checksum import internet_checksum
from netaudit.wire.ipv4 import Ipv4, decode_ipv4, encode_ipv4
from tests.wire.abuse import repeatable

addresses = st.integers(0, 2**32 - 1).map(IPv4Address)
payloads = st.binary(max_size=80)


@repeatable
@given(
    source=addresses,
    target=addresses,
    protocol=st.integers(0, 255),
    ttl=st.integers(0, 255),
    offset=st.integers(0, 8191),
    more=st.booleans(),
    options=st.integers(0, 10),
    payload=payloads,
    padding=st.binary(max_size=30),
)
def test_what_scapy_writes_we_read(  # noqa: PLR0917 - one argument a field
    source: IPv4Address,
    target: IPv4Address,
    protocol: int,
    ttl: int,
    offset: int,
    more: bool,  # noqa: FBT001 - drawn by name
    options: int,
    payload: bytes,
    padding: bytes,
) -> None:
    """Each field, with 0 to 40 octets of options; the payload ends where the header says, before the padding."""
    written = IP(
        src=str(source),
        dst=str(target),
        proto=protocol,
        ttl=ttl,
        id=77,
        frag=offset,
        flags="MF" if more else 0,
        options=[IPOption(b"\x01")] * (4 * options),
    )
    expected = Ipv4(source, target, protocol, ttl, 77, offset * 8, more, payload)
    assert decode_ipv4(bytes(written / Raw(payload)) + padding) == expected


@repeatable
@given(source=addresses, target=addresses, payload=payloads)
def test_scapy_reads_what_we_write(source: IPv4Address, target: IPv4Address, payload: bytes) -> None:
    """Addresses, length and payload are right, and the header's checksum is the one that scapy computes."""
    packet = encode_ipv4(source, target, 253, payload, ttl=9)  # 253: for experiments, RFC 3692
    read = IP(packet)
    assert (read.src, read.dst, read.proto, read.ttl, read.len) == (str(source), str(target), 253, 9, len(packet))
    assert bytes(read.payload) == payload
    del read.chksum
    assert bytes(read) == packet


GOOD = bytes(IP(src="192.0.2.1", dst="192.0.2.2", proto=17) / Raw(b"payload"))


# RFC 791, 3.1: version, header length of at least five words and at most the packet, total length at least the header.
@pytest.mark.parametrize(("at", "value"), [(0, 0x65), (0, 0x44), (0, 0x4F), (3, 19)])
def test_headers_that_contradict_themselves(at: int, value: int) -> None:
    """A wrong version, and lengths that can't be, are not read."""
    assert decode_ipv4(GOOD) is not None
    assert decode_ipv4(GOOD[:at] + bytes([value]) + GOOD[at + 1 :]) is None


def test_a_total_length_of_zero_is_the_whole_frame() -> None:
    """The kernel leaves it at zero when the card cuts the segments; what is there counts."""
    packet = decode_ipv4(GOOD[:2] + b"\0\0" + GOOD[4:])
    assert packet is not None
    assert packet.payload == b"payload"


def test_the_example_of_rfc_1071() -> None:
    """RFC 1071, 3: the octets 00 01 f2 03 f4 f5 f6 f7 sum up to ddf2, so the checksum is its complement."""
    assert internet_checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF
