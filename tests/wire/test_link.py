from __future__ import annotations

import pytest

from netaudit.wire.ethernet import Link
from netaudit.wire.link import DECODERS, decode_bare_ip, decode_family, is_readable, link_name

V4, V6 = b"\x45" + bytes(19), b"\x60" + bytes(39)


@pytest.mark.parametrize(
    ("packet", "expected"),
    [
        (V4, Link(None, None, 0x0800, V4)),
        (V6, Link(None, None, 0x86DD, V6)),
        (b"", None),
        (b"\x00" + bytes(30), None),
    ],
)
def test_bare_packets_are_told_by_their_version(packet: bytes, expected: Link | None) -> None:
    """The first half byte says IPv4 or IPv6; anything else is nothing."""
    assert decode_bare_ip(packet) == expected


# LINKTYPE_NULL: AF_INET is 2 everywhere, AF_INET6 is 24, 28 or 30 on BSDs, 10 on Linux, 23 on Windows; host byte order.
@pytest.mark.parametrize(
    ("family", "ethertype"),
    [
        ("02000000", 0x0800),
        ("00000002", 0x0800),
        ("1e000000", 0x86DD),
        ("0000001c", 0x86DD),
        ("18000000", 0x86DD),
        ("0a000000", 0x86DD),
        ("63000000", None),
        ("0200", None),
    ],
)
def test_loopback_families(family: str, ethertype: int | None) -> None:
    """Both byte orders, and every number that an operating system uses."""
    link = decode_family(bytes.fromhex(family) + (V4 if len(family) == 8 else b""))
    assert (None if link is None else link.ethertype) == ethertype


def test_what_can_be_read_has_a_name() -> None:
    """Every link type with a decoder is named for people; an unknown one is a number, and not readable."""
    assert all(is_readable(linktype) and "link type" not in link_name(linktype) for linktype in DECODERS)
    assert is_readable(127)
    assert is_readable(105)
    assert is_readable(192)
    assert not is_readable(147)
    assert link_name(147) == "link type 147"
