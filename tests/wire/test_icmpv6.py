from __future__ import annotations

from ipaddress import IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet6 import (
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    ICMPv6ND_RS,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptMTU,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
)
from scapy.layers.l2 import Ether
from scapy.packet import Packet, Raw
from scapy.utils6 import in6_getnsma, in6_getnsmac

from netaudit.wire.icmpv6 import (
    Icmpv6,
    Neighbour,
    Prefix,
    decode_icmpv6,
    decode_neighbour,
    encode_echo_request6,
    encode_neighbour_advertisement,
    encode_neighbour_solicitation,
)
from tests.wire.abuse import repeatable

addresses = st.integers(0, 2**128 - 1).map(IPv6Address)
macs = st.binary(min_size=6, max_size=6)
shorts = st.integers(0, 65535)
SOURCE, TARGET = IPv6Address("fe80::1"), IPv6Address("fe80::2")
A, B = bytes.fromhex("00005e005301"), bytes.fromhex("00005e005302")


def payload(message: Packet) -> bytes:
    """Give the ICMPv6 bytes of a message, with the checksum that scapy computes."""
    return bytes(IPv6(src=str(SOURCE), dst=str(TARGET), hlim=255) / message)[40:]


@repeatable
@given(target=addresses, mac=macs, has_option=st.booleans())
def test_solicitations(target: IPv6Address, mac: bytes, has_option: bool) -> None:  # noqa: FBT001 - drawn by name
    """Target and source link-layer address of a neighbour solicitation; the latter may be missing."""
    message = ICMPv6ND_NS(tgt=str(target))
    if has_option:
        message /= ICMPv6NDOptSrcLLAddr(lladdr=mac.hex(":"))
    assert decode_neighbour(payload(message)) == Neighbour(135, target, mac if has_option else None, None)


@repeatable
@given(target=addresses, mac=macs, router=st.booleans(), solicited=st.booleans(), override=st.booleans())
def test_advertisements(target: IPv6Address, mac: bytes, *, router: bool, solicited: bool, override: bool) -> None:
    """Target, its link-layer address, and the three flags of a neighbour advertisement."""
    message = ICMPv6ND_NA(tgt=str(target), R=int(router), S=int(solicited), O=int(override))
    read = decode_neighbour(payload(message / ICMPv6NDOptMTU() / ICMPv6NDOptDstLLAddr(lladdr=mac.hex(":"))))
    assert read == Neighbour(136, target, None, mac, is_router=router, solicited=solicited, override=override)


@repeatable
@given(
    prefix=addresses,
    length=st.integers(0, 128),
    valid_s=st.integers(0, 2**32 - 1),
    lifetime_s=shorts,
    managed=st.booleans(),
)
def test_router_advertisements(
    prefix: IPv6Address, length: int, valid_s: int, lifetime_s: int, *, managed: bool
) -> None:
    """Lifetime, flags, prefix and source address of a router; the options in any order, unknown ones passed over."""
    message = (
        ICMPv6ND_RA(routerlifetime=lifetime_s, M=int(managed), O=1)
        / ICMPv6NDOptPrefixInfo(
            prefix=str(prefix), prefixlen=length, validlifetime=valid_s, preferredlifetime=9, L=1, A=0
        )
        / ICMPv6NDOptMTU()
        / ICMPv6NDOptSrcLLAddr(lladdr=A.hex(":"))
    )
    expected = Neighbour(
        134,
        None,
        A,
        None,
        is_router=True,
        router_lifetime_s=lifetime_s,
        managed=managed,
        other=True,
        prefixes=(Prefix(prefix, length, True, False, valid_s, 9),),  # noqa: FBT003 - on link, not autonomous
    )
    assert decode_neighbour(payload(message)) == expected


def test_a_router_solicitation() -> None:
    """It may say who asks, and has no target."""
    message = ICMPv6ND_RS() / ICMPv6NDOptSrcLLAddr(lladdr=A.hex(":"))
    assert decode_neighbour(payload(message)) == Neighbour(133, None, A, None)


def test_an_option_of_length_zero_makes_the_message_void() -> None:
    """RFC 4861, 4.6: nodes silently discard it."""
    good = payload(ICMPv6ND_NS(tgt=str(TARGET)) / ICMPv6NDOptSrcLLAddr(lladdr=A.hex(":")))
    assert decode_neighbour(good) is not None
    assert decode_neighbour(good + b"\x05\x00" + bytes(6)) is None


def test_an_option_that_is_cut_off_leaves_those_before_it() -> None:
    """A capture that ends inside an option still tells what came before."""
    good = payload(ICMPv6ND_NS(tgt=str(TARGET)) / ICMPv6NDOptSrcLLAddr(lladdr=A.hex(":")) / ICMPv6NDOptMTU())
    read = decode_neighbour(good[:-3])
    assert read is not None
    assert read.source_link == A


@repeatable
@given(identifier=shorts, sequence=shorts, data=st.binary(max_size=40))
def test_echo(identifier: int, sequence: int, data: bytes) -> None:
    """Identifier, sequence and data of requests and replies."""
    for kind, message in ((128, ICMPv6EchoRequest), (129, ICMPv6EchoReply)):
        written = payload(message(id=identifier, seq=sequence, data=data))
        assert decode_icmpv6(written) == Icmpv6(kind, 0, identifier, sequence, data)


def rebuilt(frame: bytes) -> bytes:
    """Give the frame as scapy writes it after it forgot the checksum."""
    read = Ether(frame)
    layer = read[IPv6].payload
    del layer.cksum
    return bytes(read)


@repeatable
@given(source=addresses, target=addresses)
def test_our_question_is_multicast_to_the_solicited_node(source: IPv6Address, target: IPv6Address) -> None:
    """RFC 4291, 2.7.1 and RFC 2464, 7 by scapy's own helpers; its checksum is ours."""
    frame = encode_neighbour_solicitation(A, source, target)
    read = Ether(frame)
    group = in6_getnsma(target.packed)
    assert IPv6Address(read[IPv6].dst) == IPv6Address(group)
    assert read.dst == in6_getnsmac(group)
    assert (read[IPv6].hlim, IPv6Address(read[ICMPv6ND_NS].tgt)) == (255, target)
    assert read.haslayer(ICMPv6NDOptSrcLLAddr) == (source != IPv6Address(0))
    assert rebuilt(frame) == frame


@pytest.mark.parametrize("is_router", [True, False])
def test_our_answer(is_router: bool) -> None:  # noqa: FBT001 - a parameter
    """It is read back, solicited and overriding, with its sender's MAC; scapy agrees with the checksum."""
    frame = encode_neighbour_advertisement(A, B, SOURCE, TARGET, is_router=is_router)
    expected = Neighbour(136, SOURCE, None, A, is_router=is_router, solicited=True, override=True)
    assert decode_neighbour(frame[54:]) == expected
    assert rebuilt(frame) == frame


def test_our_echo_request() -> None:
    """Scapy finds what was asked, and agrees with the checksum."""
    frame = encode_echo_request6(A, B, SOURCE, TARGET, identifier=5, sequence=6, data=b"0123")
    read = Ether(frame)[ICMPv6EchoRequest]
    assert (read.id, read.seq, read.data) == (5, 6, b"0123")
    assert rebuilt(frame) == frame


def test_nothing_else_is_a_neighbour_message() -> None:
    """Echo, other types and a code other than 0 are none."""
    good = payload(ICMPv6ND_NS(tgt=str(TARGET)))
    assert decode_neighbour(good) is not None
    assert decode_neighbour(good[:1] + b"\x01" + good[2:]) is None
    assert decode_neighbour(b"\x80" + good[1:]) is None
    assert decode_icmpv6(b"\x8f\x00\x00\x00rest") == Icmpv6(143, 0, None, None, b"rest")


def test_raw_bytes_are_none() -> None:
    """What is shorter than a header is no message."""
    assert decode_icmpv6(bytes(Raw(b"\x80\0\0"))) is None
    assert decode_icmpv6(b"\x80\0\0\0\0") is None
