from __future__ import annotations

from ipaddress import IPv4Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.l2 import ARP, Ether

from netaudit.wire.arp import Arp, decode_arp, encode_arp, encode_arp_reply, encode_arp_request
from netaudit.wire.ethernet import decode_ethernet
from tests.wire.abuse import repeatable

macs = st.binary(min_size=6, max_size=6)
addresses = st.integers(0, 2**32 - 1).map(IPv4Address)
A, B = bytes.fromhex("00005e005301"), bytes.fromhex("00005e005302")
HERE, THERE, NOBODY = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2"), IPv4Address(0)


@repeatable
@given(
    operation=st.integers(0, 65535), smac=macs, sip=addresses, tmac=macs, tip=addresses, padding=st.binary(max_size=20)
)
def test_what_scapy_writes_we_read(  # noqa: PLR0917 - one argument a field
    operation: int, smac: bytes, sip: IPv4Address, tmac: bytes, tip: IPv4Address, padding: bytes
) -> None:
    """Each field of a message that scapy encodes is read as it was meant, whatever padding follows."""
    written = ARP(op=operation, hwsrc=smac.hex(":"), psrc=str(sip), hwdst=tmac.hex(":"), pdst=str(tip))
    assert decode_arp(bytes(written) + padding) == Arp(operation, smac, sip, tmac, tip)


@repeatable
@given(smac=macs, sip=addresses, tip=addresses)
def test_scapy_reads_what_we_ask(smac: bytes, sip: IPv4Address, tip: IPv4Address) -> None:
    """A request of ours is a broadcast of 60 octets that scapy reads field by field."""
    frame = encode_arp_request(smac, sip, tip)
    read = Ether(frame)
    assert len(frame) == 60  # IEEE 802.3, 3.2.8
    assert (read.dst, read.src, read.type) == ("ff:ff:ff:ff:ff:ff", smac.hex(":"), 0x0806)
    assert (read[ARP].op, read[ARP].hwsrc, read[ARP].psrc) == (1, smac.hex(":"), str(sip))
    assert (read[ARP].hwdst, read[ARP].pdst) == ("00:00:00:00:00:00", str(tip))


def test_a_reply_goes_to_whom_it_answers() -> None:
    """The frame is addressed to the target and carries the message."""
    message = Arp(2, A, HERE, B, THERE)
    link = decode_ethernet(encode_arp_reply(message))
    assert link is not None
    assert (link.source, link.target, decode_arp(link.payload)) == (A, B, message)


# RFC 826 names the fields; ARP for other hardware or protocols has other sizes, and no addresses that we could read.
@pytest.mark.parametrize(
    ("at", "value"), [(0, b"\x00\x06"), (2, b"\x86\xdd"), (4, b"\x00"), (4, b"\x08"), (5, b"\x10"), (5, b"\x00")]
)
def test_other_hardware_protocols_and_sizes_are_not_read(at: int, value: bytes) -> None:
    """Hardware type, protocol and both sizes must be those of IPv4 over Ethernet."""
    good = encode_arp(Arp(1, A, HERE, B, THERE))
    assert decode_arp(good) is not None
    assert decode_arp(good[:at] + value + good[at + len(value) :]) is None


# RFC 5227, 1.1: a probe is a request with an all-zero sender address; an announcement a request with both addresses equal.
@pytest.mark.parametrize(
    ("message", "probe", "announcement"),
    [
        (Arp(1, A, NOBODY, bytes(6), HERE), True, False),
        (Arp(1, A, HERE, bytes(6), HERE), False, True),
        (Arp(1, A, HERE, bytes(6), THERE), False, False),
        (Arp(2, A, HERE, B, THERE), False, False),
        (Arp(2, A, NOBODY, B, THERE), False, False),
        (Arp(1, A, NOBODY, bytes(6), NOBODY), True, False),
    ],
)
def test_probes_and_announcements(message: Arp, probe: bool, announcement: bool) -> None:  # noqa: FBT001 - a table
    """Probe and announcement are told apart from questions and answers."""
    assert (message.is_probe, message.is_announcement) == (probe, announcement)
