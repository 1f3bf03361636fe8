from __future__ import annotations

import tracemalloc
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib import lldp as other
from scapy.layers.l2 import Ether

from netaudit.errors import OutOfRange
from netaudit.wire.lldp import Lldp, LldpMedPower, LldpPower, decode_lldp, encode_lldp
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import ethertype_payloads, truth

if TYPE_CHECKING:
    from pathlib import Path

ETHERTYPE = 0x88CC
MAC = bytes.fromhex("00005e005301")
words = st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), min_size=1, max_size=60)
texts = st.text(min_size=1, max_size=60).filter(lambda text: "\0" not in text)
# IEEE 802.3 79.3.2.5 and 79.3.2.6 let the fields reach 99.9 W, and scapy refuses to write more
tenths = st.integers(0, 999).map(lambda value: value / 10)


def tlv(kind: int, value: bytes) -> bytes:
    """Write a TLV by hand, IEEE 802.1AB-2016 figure 8-2."""
    return (kind << 9 | len(value)).to_bytes(2, "big") + value


HEAD = tlv(1, b"\x04" + MAC) + tlv(2, b"\x05ge-7") + tlv(3, b"\0\x78")


def heard(*tlvs: bytes) -> Lldp:
    """Read an LLDPDU that opens as it must."""
    message = decode_lldp(HEAD + b"".join(tlvs) + b"\0\0")
    assert message is not None
    return message


def real(captures: Path) -> list[bytes]:
    """Give each different LLDPDU of the shared captures once."""
    seen: dict[bytes, None] = {}
    for name in truth(captures):
        for payload in ethertype_payloads(captures / name, ETHERTYPE):
            seen[payload] = None
    return list(seen)


def test_neighbours_and_power_are_those_other_programs_read(captures: Path) -> None:
    """In each shared capture the LLDP frames, the neighbours and the power they tell are those of the ground truth."""
    differing = {}
    frames = 0
    for name, expected in truth(captures).items():
        payloads = list(ethertype_payloads(captures / name, ETHERTYPE))
        frames += len(payloads)
        messages = [message for payload in payloads if (message := decode_lldp(payload)) is not None]
        neighbours = {
            (one.chassis_subtype, one.chassis_id, one.port_subtype, one.port_id, one.ttl_s): one for one in messages
        }
        got = {
            "frames": len(payloads),
            "neighbours": [
                dict(zip(("chassis_id_subtype", "chassis_id", "port_id_subtype", "port_id", "ttl_s"), key, strict=True))
                for key in sorted(neighbours)
            ],
            "power_via_mdi_802_3": [
                {
                    "chassis_id": one.chassis_id,
                    "port_id": one.port_id,
                    "mdi_support": one.power.mdi_support,
                    "power_class_field": one.power.class_field,
                    "pd_requested_tenth_w": one.power.requested_w,
                    "pse_allocated_tenth_w": one.power.allocated_w,
                }
                for one in neighbours.values()
                if one.power is not None
            ],
            "lldp_med_power": [one.med_power for one in neighbours.values() if one.med_power is not None],
        }
        if got != expected["lldp"]:
            differing[name] = (got, expected["lldp"])
    assert not differing
    assert frames >= 39


@repeatable
@given(
    port=words,
    ttl=st.integers(0, 65535),
    description=words,
    name=words,
    system=words,
    ip=st.ip_addresses(),
    bits=st.tuples(*[st.booleans()] * 4),
    power_class=st.integers(1, 5),
    support=st.integers(0, 15),
    priority=st.integers(0, 3),
    watts=st.tuples(tenths, tenths),
)
def test_every_field_is_what_scapy_wrote(
    *,
    port: str,
    ttl: int,
    description: str,
    name: str,
    system: str,
    ip: IPv4Address | IPv6Address,
    bits: tuple[bool, ...],
    power_class: int,
    support: int,
    priority: int,
    watts: tuple[float, float],
) -> None:
    """An LLDPDU that scapy encodes, with long power via MDI, is read back field by field."""
    bridge, radio, router, phone = bits
    message: Any = (
        Ether(type=ETHERTYPE)
        / other.LLDPDUChassisID(subtype=4, id=MAC.hex(":"))
        / other.LLDPDUPortID(subtype=5, id=port)
        / other.LLDPDUTimeToLive(ttl=ttl)
        / other.LLDPDUPortDescription(description=description)
        / other.LLDPDUSystemName(system_name=name)
        / other.LLDPDUSystemDescription(description=system)
        / other.LLDPDUSystemCapabilities(
            mac_bridge_available=bridge,
            wlan_access_point_available=radio,
            router_available=router,
            telephone_available=phone,
            mac_bridge_enabled=bridge,
        )
        / other.LLDPDUManagementAddress(
            management_address_subtype=1 if ip.version == 4 else 2, management_address=ip.packed
        )
        / other.LLDPDUPowerViaMDIDDL(
            MDI_power_support=support,
            power_class=power_class,
            power_prio=priority,
            PD_requested_power=watts[0],
            PSE_allocated_power=watts[1],
        )
        / other.LLDPDUEndOfLLDPDU()
    )
    # Capability bits: 2 bridge, 3 access point, 4 router, 5 telephone (IEEE 802.1AB-2016 table 8-4, counted from 0).
    capabilities = bridge << 2 | radio << 3 | router << 4 | phone << 5
    assert decode_lldp(bytes(message)[14:]) == Lldp(
        chassis_id=MAC.hex(":"),
        chassis_subtype=4,
        port_id=port,
        port_subtype=5,
        ttl_s=ttl,
        port_description=description,
        system_name=name,
        system_description=system,
        capabilities=capabilities,
        enabled_capabilities=bridge << 2,
        management_addresses=(str(ip),),
        power=LldpPower(support, 1, power_class, watts[0], watts[1], priority),
    )


# IEEE 802.3 79.3.2: the short form has three octets behind the subtype, the others begin like the long one.
@pytest.mark.parametrize(
    ("octets", "power"),
    [
        ("070100", LldpPower(7, 1, 0)),
        ("0f0104", LldpPower(15, 1, 4)),
        ("00000541000f00ff", LldpPower(0, 0, 5, 1.5, 25.5, 1)),
        ("0f0205" + "01" + "00ff" + "00ff" + "00" * 17, LldpPower(15, 2, 5, 25.5, 25.5, 1)),
    ],
    ids=["short", "short, class 3", "long, powered device", "longest"],
)
def test_power_via_mdi_comes_in_three_lengths(octets: str, power: LldpPower) -> None:
    """Three octets tell the class only, eight and more also what is asked for and granted, in 0.1 W."""
    assert heard(tlv(127, bytes.fromhex("00120f02" + octets))).power == power


def test_the_class_field_counts_from_one() -> None:
    """Fields 1 to 5 are the classes 0 to 4 (RFC 3621: class + 1); another field is no class."""
    # scapy 2.8.0, the same field: 1 is class 0 ... 5 is class 4
    named = {field: LldpPower(1, 1, field).power_class for field in range(8)}
    assert named == {0: None, 1: 0, 2: 1, 3: 2, 4: 3, 5: 4, 6: None, 7: None}
    assert LldpPower(0x07, 1, 1).is_source
    assert not LldpPower(0x06, 1, 1).is_source


def test_extended_power_of_a_media_endpoint() -> None:
    """Subtype 4 of 00:12:bb gives kind, source, priority and the power in 0.1 W."""
    # 0x53: kind 01 takes power, source 01, priority 0011 low; 0x0041 = 65 tenths
    assert heard(tlv(127, bytes.fromhex("0012bb04" + "530041"))).med_power == LldpMedPower(1, 1, 3, 6.5)


def test_ttl_0_withdraws() -> None:
    """A time to live of 0 is read as 0, which withdraws the neighbour (IEEE 802.1AB-2016 9.1.2, from memory)."""
    message = decode_lldp(HEAD.replace(b"\0\x78", b"\0\0") + b"\0\0")
    assert message is not None
    assert message.ttl_s == 0


def test_strings_may_end_in_nul() -> None:
    """NULs at the end of strings are no part of them, and a string of nothing else is none."""
    message = heard(tlv(5, b"attic-switch\0"), tlv(4, b"\0"), tlv(6, b"switch\0\0"))
    assert (message.system_name, message.port_description, message.system_description) == (
        "attic-switch",
        None,
        "switch",
    )


# IEEE 802.1AB-2016 tables 8-2 and 8-3; IANA address family numbers 1 and 2.
@pytest.mark.parametrize(
    ("chassis", "port", "names"),
    [
        (b"\x05\x01\xc0\x00\x02\x07", b"\x04\x01\xc0\x00\x02\x08", ("192.0.2.7", "192.0.2.8")),
        (b"\x05\x02" + b"\x20\x01\x0d\xb8" + bytes(11) + b"\x01", b"\x03" + MAC, ("2001:db8::1", MAC.hex(":"))),
        (b"\x07attic", b"\x07" + b"3", ("attic", "3")),
        (b"\x04abc", b"\x01uplink\0", ("abc", "uplink")),
    ],
)
def test_identifiers_are_spelt_by_their_subtype(chassis: bytes, port: bytes, names: tuple[str, str]) -> None:
    """Subtype 4 is a MAC for a chassis and a network address for a port; the others are text."""
    message = decode_lldp(tlv(1, chassis) + tlv(2, port) + tlv(3, b"\0\x78"))
    assert message is not None
    assert (message.chassis_id, message.port_id) == names


@pytest.mark.parametrize(
    "payload",
    [
        HEAD[:8],
        tlv(2, b"\x05ge-7") + tlv(1, b"\x04" + MAC) + tlv(3, b"\0\x78"),
        tlv(1, b"\x04" + MAC) + tlv(2, b"\x05ge-7") + tlv(3, b"\x78"),
        tlv(1, b"\x04") + tlv(2, b"\x05ge-7") + tlv(3, b"\0\x78"),
        tlv(1, b"\x05\x09ab") + tlv(2, b"\x05ge-7") + tlv(3, b"\0\x78"),
    ],
    ids=["cut", "out of order", "short time to live", "empty chassis", "unknown address family"],
)
def test_an_lldpdu_that_does_not_open_as_it_must_is_none(payload: bytes) -> None:
    """Without chassis, port and time to live in this order there is no neighbour (IEEE 802.1AB-2016 9.2.8.7.1)."""
    assert decode_lldp(payload) is None


@pytest.mark.parametrize(
    "bad",
    [
        tlv(7, b"\0\x04"),
        tlv(8, b""),
        tlv(8, b"\x05\x01\x0a"),
        tlv(8, b"\x05\x02\xc0\x00\x02\x07"),
        tlv(8, b"\x11\x01" + bytes(16)),
        tlv(8, b"\x05\x06\xc0\x00\x02\x07"),
        tlv(127, b"\x00\x12"),
        tlv(127, b"\x00\x12\x0f\x02\x07"),
        tlv(127, b"\x00\x12\xbb\x04\x53\x00"),
        tlv(127, b"\x00\x80\xc2\x01\x05"),
    ],
)
def test_a_malformed_tlv_leaves_the_rest_readable(bad: bytes) -> None:
    """A TLV that is too short for its kind is counted, and those before and behind it are read."""
    message = heard(tlv(4, b"before"), bad, tlv(5, b"behind"))
    assert (message.port_description, message.system_name, message.malformed) == ("before", "behind", 1)
    assert message.power is None
    assert message.med_power is None


def test_a_tlv_that_runs_over_the_end_leaves_those_before_it() -> None:
    """The last TLV may be cut: what came before stays."""
    message = decode_lldp(HEAD + tlv(4, b"before") + b"\x0b\xffattic")
    assert message is not None
    assert (message.port_description, message.system_name, message.malformed) == ("before", None, 1)


def test_a_tlv_of_somebody_else_is_passed_over() -> None:
    """Organisational TLVs of unknown owners or subtypes, and reserved types, are no fault."""
    message = heard(
        tlv(127, b"\x00\x00\x5e\x01url"),
        tlv(127, b"\x00\x12\x0f\x7f"),
        tlv(99, b"later"),
        tlv(5, b"attic"),
        tlv(127, b"\x00\x80\xc2\x01\x00\x14"),
        tlv(127, b"\x00\x12\x0f\x04\x05\xf2"),
    )
    assert (message.system_name, message.malformed, message.port_vlan, message.frame_size_octets) == (
        "attic",
        0,
        20,
        1522,
    )


def test_what_follows_the_end_is_not_read() -> None:
    """TLV 0 ends the LLDPDU: padding behind it is nothing."""
    message = decode_lldp(HEAD + b"\0\0" + tlv(5, b"padding"))
    assert message is not None
    assert (message.system_name, message.malformed) == (None, 0)


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built LLDPDUs gives a value or None, and noise too."""
    built = encode_lldp(MAC, "ge-7", 120, system_name="attic", power=LldpPower(15, 1, 4, 13.0, 15.4))
    for payload in spoilt([built, *real(captures)]):
        decode_lldp(payload)
    for head in (b"", HEAD, HEAD + b"\xfe\x0c\x00\x12"):
        for payload in noise(20_000, head):
            decode_lldp(payload)


def test_64_kb_of_tlvs_cost_little_memory() -> None:
    """A flood of management addresses and organisational TLVs leaves sixteen addresses and little memory taken."""
    addresses = b"".join(tlv(8, b"\x05\x01" + number.to_bytes(4, "big") + bytes(6)) for number in range(3000))
    makers = b"".join(tlv(127, number.to_bytes(4, "big")) for number in range(3000))
    tracemalloc.start()
    message = decode_lldp(HEAD + addresses + makers)
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert message is not None
    assert len(message.management_addresses) == 16
    assert peak < 2_000_000


@repeatable
@given(port=texts, name=texts, ttl=st.integers(0, 65535), watts=st.tuples(tenths, tenths))
def test_scapy_reads_what_we_write(*, port: str, name: str, ttl: int, watts: tuple[float, float]) -> None:
    """An LLDPDU that we write holds the same for scapy, and comes back equal from our decoder."""
    power = LldpPower(15, 1, 5, watts[0], watts[1], 2)
    address = IPv4Address("192.0.2.7")
    payload = encode_lldp(
        MAC,
        port,
        ttl,
        port_description="to the attic",
        system_name=name,
        system_description="a switch",
        capabilities=0x0014,
        management_address=address,
        power=power,
    )
    read = other.LLDPDUChassisID(payload)
    assert read[other.LLDPDUChassisID].id == MAC.hex(":")
    assert bytes(read[other.LLDPDUPortID].id) == port.encode()
    assert read[other.LLDPDUTimeToLive].ttl == ttl
    assert bytes(read[other.LLDPDUSystemName].system_name) == name.encode()
    assert bytes(read[other.LLDPDUManagementAddress].management_address) == address.packed
    able = read[other.LLDPDUSystemCapabilities]
    assert (able.mac_bridge_enabled, able.router_enabled, able.telephone_enabled) == (1, 1, 0)
    fed = read[other.LLDPDUPowerViaMDIDDL]
    assert (fed.PD_requested_power, fed.PSE_allocated_power, fed.power_prio) == (*watts, 2)
    assert decode_lldp(payload) == Lldp(
        chassis_id=MAC.hex(":"),
        chassis_subtype=4,
        port_id=port,
        port_subtype=5,
        ttl_s=ttl,
        port_description="to the attic",
        system_name=name,
        system_description="a switch",
        capabilities=0x0014,
        enabled_capabilities=0x0014,
        management_addresses=("192.0.2.7",),
        power=power,
    )


def test_what_no_lldpdu_can_carry_is_refused() -> None:
    """A bad MAC, time to live, text or power is OutOfRange, not a broken LLDPDU."""
    with pytest.raises(OutOfRange, match="6 octets"):
        encode_lldp(b"\0", "ge-7", 120)
    with pytest.raises(OutOfRange, match="65535 s"):
        encode_lldp(MAC, "ge-7", 65536)
    with pytest.raises(OutOfRange, match="16 bits"):
        encode_lldp(MAC, "ge-7", 120, capabilities=1 << 16)
    with pytest.raises(OutOfRange, match="256 octets"):
        encode_lldp(MAC, "ge-7" * 99, 120)
    with pytest.raises(OutOfRange, match=r"6553\.5 W"):
        encode_lldp(MAC, "ge-7", 120, power=LldpPower(15, 1, 4, 7000.0, 1.0))
