from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.l2 import LLC, SNAP, Dot1AD, Dot1Q, Dot3, Ether
from scapy.packet import Raw

from netaudit.wire.ethernet import Link, decode_ethernet, encode_ethernet, mac_text
from tests.wire.abuse import repeatable

macs = st.binary(min_size=6, max_size=6)
vlans = st.integers(0, 4095)
# Types that are neither a length nor a tag.
types = st.integers(0x0600, 0xFFFF).filter(lambda kind: kind not in (0x8100, 0x88A8, 0x9100, 0x9200))
payloads = st.binary(max_size=100)
A, B = bytes.fromhex("00005e005301"), bytes.fromhex("00005e005302")


@repeatable
@given(target=macs, source=macs, kind=types, payload=payloads)
def test_a_plain_frame(target: bytes, source: bytes, kind: int, payload: bytes) -> None:
    """Addresses, type and payload of a frame that scapy writes."""
    frame = bytes(Ether(dst=target.hex(":"), src=source.hex(":"), type=kind) / Raw(payload))
    assert decode_ethernet(frame) == Link(source, target, kind, payload)


@repeatable
@given(outer=vlans, inner=vlans, kind=types, payload=payloads, tag=st.sampled_from([Dot1AD, Dot1Q]))
def test_two_tags(outer: int, inner: int, kind: int, payload: bytes, tag: type) -> None:
    """An 802.1ad tag, or a second 802.1Q tag (type 0x8100 twice), before an 802.1Q tag: both ids, outermost first."""
    head = Ether(dst=B.hex(":"), src=A.hex(":"), type=0x88A8 if tag is Dot1AD else 0x8100)
    frame = bytes(head / tag(vlan=outer, prio=5, type=0x8100) / Dot1Q(vlan=inner, type=kind) / Raw(payload))
    assert decode_ethernet(frame) == Link(A, B, kind, payload, (outer, inner))


@repeatable
@given(vlan=vlans, payload=payloads, padding=st.binary(max_size=30))
def test_snap_behind_a_tag(vlan: int, payload: bytes, padding: bytes) -> None:
    """Behind an 802.1Q tag a length, LLC and SNAP: the EtherType is SNAP's, and the padding is no payload."""
    llc = bytes(LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x0806) / Raw(payload))
    frame = bytes(Ether(dst=B.hex(":"), src=A.hex(":"), type=0x8100) / Dot1Q(vlan=vlan, type=len(llc))) + llc + padding
    assert decode_ethernet(frame) == Link(A, B, 0x0806, payload, (vlan,))


# RFC 1042 and IEEE 802.1H name the two OUIs that carry an EtherType; others carry a maker's protocol numbers.
@pytest.mark.parametrize(
    ("llc", "ethertype"),
    [
        ("aaaa03 000000 0806", 0x0806),
        ("aaaa03 0000f8 0800", 0x0800),
        ("aaaa03 00000c 2000", None),
        ("aaaa03 000000 0026", None),
        ("424203 000000 0000", None),
        ("aaaa03 0000", None),
    ],
)
def test_llc_without_an_ethertype(llc: str, ethertype: int | None) -> None:
    """LLC frames have an EtherType only by SNAP with an OUI that says so."""
    data = bytes.fromhex(llc)
    frame = bytes(Dot3(dst=B.hex(":"), src=A.hex(":"), len=len(data))) + data
    link = decode_ethernet(frame)
    assert link is not None
    assert (link.source, link.target, link.ethertype) == (A, B, ethertype)


def test_more_tags_than_anyone_uses_are_refused() -> None:
    """A frame that is tags all the way is given up after four."""
    assert decode_ethernet(B + A + bytes.fromhex("81000001") * 300 + b"\x08\x06" + bytes(28)) is None


@repeatable
@given(target=macs, source=macs, kind=types, payload=payloads, vlan=st.none() | vlans)
def test_scapy_reads_what_we_write(target: bytes, source: bytes, kind: int, payload: bytes, vlan: int | None) -> None:
    """Addresses, tag, type and payload are read by scapy as they were given; no frame is shorter than 60 octets."""
    frame = encode_ethernet(target, source, kind, payload, vlan=vlan)
    read = Ether(frame)
    assert len(frame) >= 60  # IEEE 802.3, 3.2.8
    assert (read.dst, read.src) == (target.hex(":"), source.hex(":"))
    if vlan is not None:
        assert (read.type, read[Dot1Q].vlan, read[Dot1Q].type) == (0x8100, vlan, kind)
    else:
        assert read.type == kind
    assert frame[18 if vlan is not None else 14 :].startswith(payload)


def test_a_mac_is_written_in_lower_case_with_colons() -> None:
    """The one spelling of the whole program."""
    assert mac_text(bytes.fromhex("00005E0053AF")) == "00:00:5e:00:53:af"
