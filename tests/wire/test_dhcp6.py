from __future__ import annotations

import tracemalloc
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers import dhcp6 as other

from netaudit.wire.dhcp6 import MESSAGE_NAMES, decode_dhcp6
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import datagrams, truth

if TYPE_CHECKING:
    from ipaddress import IPv6Address
    from pathlib import Path

MAC = "00:00:5e:00:53:01"
DUID_LL = bytes.fromhex("00030001") + bytes.fromhex(MAC.replace(":", ""))
ip6 = st.ip_addresses(v=6)
labels = st.text(st.characters(codec="ascii", categories=["Ll", "Nd"]), min_size=1, max_size=20)
names = st.lists(labels, min_size=1, max_size=4).map(".".join)


def option(code: int, value: bytes) -> bytes:
    """Write an option, RFC 8415 section 21.1."""
    return code.to_bytes(2, "big") + len(value).to_bytes(2, "big") + value


def relay(inner: bytes, hops: int = 0) -> bytes:
    """Wrap a message as a relay does, RFC 8415 section 9."""
    return bytes([12, hops]) + bytes(32) + option(18, b"ge-7") + option(9, inner)


SOLICIT = b"\x01\x00\x00\x07" + option(1, DUID_LL)


def real(captures: Path) -> list[bytes]:
    """Give each different DHCPv6 message of the shared captures once."""
    seen: dict[bytes, None] = {}
    for name in truth(captures):
        for datagram in datagrams(captures / name):
            if datagram.on(546, 547):
                seen[datagram.payload] = None
    return list(seen)


def test_messages_are_those_other_programs_read(captures: Path) -> None:
    """In each shared capture the messages by type are those of the ground truth."""
    differing = {}
    read = 0
    for name, expected in truth(captures).items():
        heard = [decode_dhcp6(one.payload) for one in datagrams(captures / name) if one.on(546, 547)]
        types = Counter(MESSAGE_NAMES[one.message_type] for one in heard if one is not None)
        read += types.total()
        if dict(types) != expected["dhcpv6"]["messages"]:
            differing[name] = (types, expected["dhcpv6"])
    assert not differing
    assert read == 288


def test_the_macs_and_addresses_of_a_real_handshake_are_those_scapy_reads(captures: Path) -> None:
    """In the shared handshake, DUIDs and addresses of the IA_NA are what scapy finds."""
    found = []
    for one in datagrams(captures / "tcpdump_dhcpv6-ia-na.pcap"):
        heard = decode_dhcp6(one.payload)
        read = other.DHCP6(one.payload)
        layers = {1: other.DHCP6_Solicit, 2: other.DHCP6_Advertise, 3: other.DHCP6_Request, 7: other.DHCP6_Reply}
        read = layers[read.msgtype](one.payload)
        assert heard is not None
        assert heard.transaction_id == read.trid
        assert heard.client_duid == bytes(read[other.DHCP6OptClientId].duid)
        assert heard.client_duid_mac == getattr(read[other.DHCP6OptClientId].duid, "lladdr", None)
        addresses = [str(address) for address in heard.addresses]
        inner = read[other.DHCP6OptIA_NA].ianaopts
        assert addresses == [each.addr for each in inner if isinstance(each, other.DHCP6OptIAAddress)]
        found += addresses
    assert found


def test_message_names_agree_with_another_program() -> None:
    """The message types that scapy names have the same names here."""
    # scapy 2.8.0, dhcp6types
    assert {number: MESSAGE_NAMES[number] for number in other.dhcp6types} == other.dhcp6types


@repeatable
@given(
    trid=st.integers(0, 0xFFFFFF),
    kind=st.sampled_from(["LL", "LLT", "EN"]),
    addresses=st.lists(ip6, min_size=1, max_size=4),
    fqdn=names,
    hops=st.integers(0, 8),
)
def test_every_field_is_what_scapy_wrote(
    *, trid: int, kind: str, addresses: list[IPv6Address], fqdn: str, hops: int
) -> None:
    """A request that scapy encodes, however often it is relayed, is read back field by field."""
    duids: dict[str, Any] = {
        "LL": other.DUID_LL(lladdr=MAC),
        "LLT": other.DUID_LLT(lladdr=MAC, timeval=1),
        "EN": other.DUID_EN(enterprisenum=1, id=b"attic"),
    }
    message: Any = (
        other.DHCP6_Request(trid=trid)
        / other.DHCP6OptClientId(duid=duids[kind])
        / other.DHCP6OptServerId(duid=other.DUID_LL(lladdr="00:00:5e:00:53:02"))
        / other.DHCP6OptIA_NA(ianaopts=[other.DHCP6OptIAAddress(addr=str(address)) for address in addresses])
        / other.DHCP6OptClientFQDN(fqdn=fqdn.encode())
    )
    for hop in range(hops):
        message = other.DHCP6_RelayForward(hopcount=hop) / other.DHCP6OptRelayMsg(message=message)
    heard = decode_dhcp6(bytes(message))
    assert heard is not None
    assert (heard.message_type, heard.transaction_id, heard.relay_hops) == (3, trid, hops)
    assert heard.client_duid == bytes(duids[kind])
    assert heard.client_duid_mac == (None if kind == "EN" else MAC)
    assert heard.server_duid_mac == "00:00:5e:00:53:02"
    assert heard.addresses == tuple(addresses)
    assert heard.fqdn == fqdn


# RFC 8415 section 11: type, hardware type, then a time in LLT.
@pytest.mark.parametrize(
    "duid",
    ["0001", "000300060200005e005301", "00030001" + "00005e0053", "00010001" + "00005e005301", "0004" + "00" * 16, ""],
    ids=["cut", "other hardware", "short", "time missing", "UUID", "empty"],
)
def test_a_duid_of_another_kind_has_no_mac(duid: str) -> None:
    """Only the kinds LLT and LL over Ethernet, of the right size, hold a MAC."""
    heard = decode_dhcp6(b"\x01\x00\x00\x07" + option(1, bytes.fromhex(duid)))
    assert heard is not None
    assert heard.client_duid_mac is None


@pytest.mark.parametrize(
    ("wire", "name"),
    [
        (b"\x01\x04lamp", "lamp"),
        (b"\x01\x04lamp\x07example\x00", "lamp.example"),
        (b"\x01\x04lamp\xc0\x00", "lamp"),
        (b"\x01", None),
        (b"", None),
    ],
)
def test_the_client_fqdn_may_be_partial(wire: bytes, name: str | None) -> None:
    """A name without its root label is a partial one (RFC 4704 section 4.2); a pointer ends it."""
    heard = decode_dhcp6(SOLICIT + option(39, wire))
    assert heard is not None
    assert heard.fqdn == name


def test_relays_are_bounded() -> None:
    """Eight relays are followed (HOP_COUNT_LIMIT, RFC 8415 section 7.6), a ninth makes it none."""
    message = SOLICIT
    for hop in range(8):
        message = relay(message, hop)
    heard = decode_dhcp6(message)
    assert heard is not None
    assert (heard.message_type, heard.client_duid_mac, heard.relay_hops) == (1, MAC, 8)
    assert decode_dhcp6(relay(message, 8)) is None


def test_a_relay_without_its_message_is_itself() -> None:
    """A relay message of which the inner one is missing is given as what it is."""
    heard = decode_dhcp6(bytes([12, 0]) + bytes(32))
    assert heard is not None
    assert (heard.message_type, heard.transaction_id, heard.relay_hops) == (12, None, 0)
    assert decode_dhcp6(bytes([12, 0]) + bytes(31)) is None


def test_an_option_that_lies_about_its_length_leaves_those_before_it() -> None:
    """Options before the first that runs over the end are kept."""
    heard = decode_dhcp6(SOLICIT + b"\x00\x27\xff\xff\x01")
    assert heard is not None
    assert (heard.client_duid_mac, heard.fqdn) == (MAC, None)


def test_what_is_no_dhcp_is_none() -> None:
    """An unknown message type, or fewer than four octets, is none."""
    assert decode_dhcp6(b"\x01\0\0") is None
    assert decode_dhcp6(b"\0" + SOLICIT[1:]) is None
    assert decode_dhcp6(b"\xc8" + SOLICIT[1:]) is None


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built messages gives a message or None, and noise too."""
    built = relay(SOLICIT + option(3, bytes(12) + option(5, bytes(24))) + option(39, b"\x01\x04lamp\0"))
    # The 284 real SOLICITs differ in little more than their transaction: one of each size stands for the others.
    sizes = {len(payload): payload for payload in real(captures)}
    for payload in spoilt([built, *sizes.values()]):
        decode_dhcp6(payload)
    for head in (b"", SOLICIT, built[:70]):
        for payload in noise(20_000, head):
            decode_dhcp6(payload)


def test_64_kb_of_addresses_cost_little_memory() -> None:
    """A flood of addresses leaves 32 of them, and little memory taken."""
    flood = SOLICIT + option(3, bytes(12) + option(5, bytes(24)) * 2300)
    tracemalloc.start()
    heard = decode_dhcp6(flood)
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert heard is not None
    assert len(heard.addresses) == 32
    assert peak < 2_000_000
