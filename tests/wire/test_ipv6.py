from __future__ import annotations

from ipaddress import IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet6 import (
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
    PadN,
    RouterAlert,
)
from scapy.packet import Raw

from netaudit.wire.ipv6 import Ipv6, decode_ipv6, encode_ipv6
from tests.wire.abuse import repeatable

addresses = st.integers(0, 2**128 - 1).map(IPv6Address)
payloads = st.binary(max_size=80)
SOURCE, TARGET = IPv6Address("2001:db8::1"), IPv6Address("2001:db8::2")


@repeatable
@given(
    source=addresses, target=addresses, hop_limit=st.integers(0, 255), payload=payloads, padding=st.binary(max_size=9)
)
def test_a_plain_packet(
    source: IPv6Address, target: IPv6Address, hop_limit: int, payload: bytes, padding: bytes
) -> None:
    """Each field of what scapy writes; the payload ends where the header says."""
    written = IPv6(src=str(source), dst=str(target), hlim=hop_limit, nh=253, tc=3, fl=99)
    assert decode_ipv6(bytes(written / Raw(payload)) + padding) == Ipv6(
        source, target, 253, hop_limit, fragment_offset=0, more_fragments=False, payload=payload
    )


headers = st.sampled_from(
    [
        IPv6ExtHdrHopByHop(options=[RouterAlert()]),
        IPv6ExtHdrDestOpt(options=[PadN(optdata=b"12")]),
        IPv6ExtHdrDestOpt(options=[PadN(optdata=bytes(30))]),
        IPv6ExtHdrRouting(addresses=["2001:db8::3"]),
    ]
)


@repeatable
@given(chain=st.lists(headers, max_size=5), payload=payloads)
def test_extension_headers_are_taken_off(chain: list[object], payload: bytes) -> None:
    """Up to five headers before the payload, in any order: protocol and payload are those behind the last one."""
    packet = IPv6(src=str(SOURCE), dst=str(TARGET))
    for header in chain:
        packet /= header.copy()  # type: ignore[attr-defined]
    packet.lastlayer().nh = 253
    read = decode_ipv6(bytes(packet) + b"" if not payload else bytes(packet / Raw(payload)))
    assert read is not None
    assert (read.protocol, read.payload) == (253, payload)


@repeatable
@given(offset=st.integers(0, 8191), more=st.booleans(), payload=payloads)
def test_fragments(offset: int, more: bool, payload: bytes) -> None:  # noqa: FBT001 - drawn by name
    """Offset in octets and the flag of a fragment; later fragments keep their bytes unread."""
    packet = IPv6(src=str(SOURCE), dst=str(TARGET)) / IPv6ExtHdrFragment(nh=253, offset=offset, m=int(more))
    read = decode_ipv6(bytes(packet / Raw(payload)))
    assert read is not None
    assert (read.fragment_offset, read.more_fragments, read.protocol) == (offset * 8, more, 253)
    assert read.payload == payload


def test_an_authentication_header_counts_in_words() -> None:
    """RFC 4302, 2.2: its length is in 32-bit words, less two."""
    header = bytes([253, 4, 0, 0]) + bytes(20)
    packet = encode_ipv6(SOURCE, TARGET, 51, header + b"payload", hop_limit=64)
    read = decode_ipv6(packet)
    assert read is not None
    assert (read.protocol, read.payload) == (253, b"payload")


def test_a_payload_length_of_zero_leaves_nothing_to_read() -> None:
    """The packet is read, its payload is empty: there is no ICMPv6 header in it."""
    packet = encode_ipv6(SOURCE, TARGET, 58, b"", hop_limit=255) + bytes(24)
    read = decode_ipv6(packet)
    assert read is not None
    assert read.payload == b""


@pytest.mark.parametrize("size", [1, 8, 100])
def test_a_chain_of_headers_without_end_is_given_up(size: int) -> None:
    """RFC 8200, 4.1 knows seven headers; a hundred of the shortest are nobody's packet."""
    chain = bytes([60, 0, 1, 4, 0, 0, 0, 0]) * (100 * size)
    packet = encode_ipv6(SOURCE, TARGET, 60, chain[:65535], hop_limit=64)
    assert decode_ipv6(packet) is None


def test_another_version_is_not_read() -> None:
    """The first half byte must be 6."""
    packet = encode_ipv6(SOURCE, TARGET, 58, b"", hop_limit=255)
    assert decode_ipv6(packet) is not None
    assert decode_ipv6(b"\x40" + packet[1:]) is None
