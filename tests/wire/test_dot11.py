from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers import dot11 as other

from netaudit.errors import OutOfRange
from netaudit.wire.dot11 import CONTROL, DATA, MANAGEMENT, Dot11, decode_dot11, encode_beacon
from netaudit.wire.elements import BssLoad
from netaudit.wire.radiotap import decode_radiotap
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import frames, truth

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

RADIOTAP, BARE = 127, 105
BSSID = bytes.fromhex("00005e005310")
macs = st.binary(min_size=6, max_size=6).map(lambda octets: octets.hex(":"))


def with_fcs(frame: bytes) -> bytes:
    """Append the check sequence: CRC-32, least significant octet first (IEEE 802.11-2020 9.2.4.8)."""
    return frame + zlib.crc32(frame).to_bytes(4, "little")


def air(path: Path) -> Iterator[tuple[bytes, bool | None]]:
    """Give the 802.11 frames of a capture, and whether a check sequence follows."""
    for linktype, data, cut in frames(path, RADIOTAP, BARE):
        if linktype == BARE:
            yield data, None
            continue
        head = decode_radiotap(data)
        if head is not None and not head.bad_fcs:
            yield data[head.length :], head.fcs_at_end and not cut


def heard_in(path: Path) -> list[Dot11]:
    """Read the 802.11 frames of a capture."""
    return [frame for data, fcs in air(path) if (frame := decode_dot11(data, fcs)) is not None]


def test_transmitters_and_radios_are_those_other_programs_read(captures: Path) -> None:
    """In each shared capture transmitters, beacons, BSSIDs, SSIDs and BSS Loads are those of the ground truth."""
    differing = {}
    read = 0
    for name, expected in truth(captures).items():
        if not {RADIOTAP, BARE} & set(expected["link_types"]):
            continue
        heard = heard_in(captures / name)
        adverts = [one for one in heard if one.is_beacon or one.is_probe_response]
        octets = {one.elements.ssid for one in adverts if one.elements and one.ssid is not None}
        loads = {
            (one.bssid, one.bss_load.stations, one.bss_load.busy_raw) for one in adverts if one.bss_load is not None
        }
        got = {
            "macs": sorted({one.addr2 for one in heard if one.addr2}),
            "beacons": sum(one.is_beacon for one in heard),
            "probe_responses": sum(one.is_probe_response for one in heard),
            "bssids": sorted({one.bssid for one in adverts if one.bssid}),
            "ssids": sorted(ssid.hex() for ssid in octets if ssid),
            "bss_load": sorted(loads),
        }
        wifi = expected["wifi"]
        want = {
            "macs": expected["source_macs"]["list"],
            "beacons": wifi["beacons"],
            "probe_responses": wifi["probe_responses"],
            "bssids": wifi["bssids"],
            "ssids": sorted(one["hex"] for one in wifi["ssids"]),
            "bss_load": sorted(
                (one["bssid"], one["station_count"], one["channel_utilisation_raw"]) for one in wifi["bss_load"]
            ),
        }
        read += len(heard)
        if got != want:
            differing[name] = (got, want)
    assert not differing
    assert read > 900


def test_every_real_beacon_says_what_scapy_reads(captures: Path) -> None:
    """Addresses, SSID, channel, interval, capability and rates of every real beacon are what scapy reads."""
    compared = 0
    for name in truth(captures):
        for data, fcs in air(captures / name):
            heard = decode_dot11(data, fcs)
            if heard is None or heard.damaged or not heard.is_beacon or heard.elements is None:
                continue
            read = other.Dot11(data[:-4] if fcs else data)
            beacon = read[other.Dot11Beacon]
            assert (heard.addr1, heard.addr2, heard.addr3) == (read.addr1, read.addr2, read.addr3)
            assert heard.beacon_interval_tu == beacon.beacon_interval
            # scapy reads these two octets the other way round, and names the bits accordingly
            assert heard.capability == int.from_bytes(int(beacon.cap).to_bytes(2, "little"), "big")
            stats = beacon.network_stats()
            assert (heard.ssid or "") == stats["ssid"].strip("\0")
            primary = read[other.Dot11EltHTOperation].primary_channel if other.Dot11EltHTOperation in read else None
            assert heard.channel == stats.get("channel", primary)
            assert [rate / 1e6 for rate in heard.elements.rates_bps] == stats["rates"]
            compared += 1
    assert compared > 600


@repeatable
@given(addresses=st.tuples(macs, macs, macs), ds=st.integers(0, 3), retry=st.booleans(), protected=st.booleans())
def test_a_data_frame_belongs_to_the_bss_its_flags_say(
    *, addresses: tuple[str, str, str], ds: int, retry: bool, protected: bool
) -> None:
    """Addresses of data frames that scapy encodes are read back; to and from the DS name the BSSID (table 9-30)."""
    built = other.Dot11(
        type=2,
        subtype=0,
        FCfield=ds | retry << 3 | protected << 6,
        addr1=addresses[0],
        addr2=addresses[1],
        addr3=addresses[2],
        addr4="00:00:5e:00:53:99",
    )
    heard = decode_dot11(bytes(built), fcs=False)
    assert heard is not None
    assert (heard.type, heard.addr1, heard.addr2, heard.addr3) == (DATA, *addresses)
    assert (heard.retry, heard.protected) == (retry, protected)
    # To DS: receiver is the access point. From DS: transmitter is. Neither: address 3. Both: a bridge, no BSS.
    assert heard.bssid == {0: addresses[2], 1: addresses[0], 2: addresses[1], 3: None}[ds]


# Bits 0, 4 and 10 of the little-endian capability information (IEEE 802.11-2020 9.4.1.4): 0x0411.
CAPABILITY = "ESS+privacy+short-slot"


# IEEE 802.11-2020 9.3.1: RTS 11, CTS 12, Ack 13, PS-Poll 10, CF-End 14, CF-End with Ack 15, BlockAckReq 8, BlockAck 9,
# NDP announcement 5, trigger 2.
@pytest.mark.parametrize(
    ("subtype", "transmits", "has_bssid"),
    [
        (2, True, False),
        (5, True, False),
        (8, True, False),
        (9, True, False),
        (10, True, True),
        (11, True, False),
        (12, False, False),
        (13, False, False),
        (14, False, True),
        (15, False, True),
    ],
)
def test_who_sends_a_control_frame(subtype: int, *, transmits: bool, has_bssid: bool) -> None:
    """Only some control frames name who sent them; the second address of a CF-End is a BSSID, not a transmitter."""
    first, second = "00:00:5e:00:53:01", "00:00:5e:00:53:02"
    octets = bytes([subtype << 4 | 1 << 2, 0, 0, 0]) + bytes.fromhex((first + second).replace(":", ""))
    heard = decode_dot11(octets, fcs=False)
    assert heard is not None
    assert (heard.type, heard.addr1, heard.addr2) == (CONTROL, first, second if transmits else None)
    assert heard.bssid == ((first if subtype == 10 else second) if has_bssid else None)
    short = decode_dot11(octets[:10], fcs=False)
    assert short is not None
    assert (short.addr1, short.addr2) == (first, None)


@pytest.mark.parametrize(
    ("subtype", "layer", "fixed"),
    [
        (0, other.Dot11AssoReq(cap=CAPABILITY), 0x0411),
        (1, other.Dot11AssoResp(cap=CAPABILITY), 0x0411),
        (2, other.Dot11ReassoReq(cap=CAPABILITY), 0x0411),
        (3, other.Dot11ReassoResp(cap=CAPABILITY), 0x0411),
        (4, other.Dot11ProbeReq(), None),
        (5, other.Dot11ProbeResp(cap=CAPABILITY), 0x0411),
        (8, other.Dot11Beacon(cap=CAPABILITY), 0x0411),
    ],
)
def test_the_elements_of_each_management_frame(subtype: int, layer: Any, fixed: int | None) -> None:
    """Behind the fixed fields of each kind that scapy encodes, the SSID is found, and the capability among them."""
    built = other.Dot11(
        type=0, subtype=subtype, addr1="ff:ff:ff:ff:ff:ff", addr2="02:00:00:00:00:01", addr3=BSSID.hex(":")
    )
    heard = decode_dot11(bytes(built / layer / other.Dot11Elt(ID=0, info=b"attic")), fcs=False)
    assert heard is not None
    assert (heard.type, heard.subtype, heard.ssid, heard.capability) == (MANAGEMENT, subtype, "attic", fixed)
    assert heard.bssid == BSSID.hex(":")


def test_an_ht_control_field_stands_before_the_body() -> None:
    """With the +HTC bit of a management frame, four octets stand before its body (IEEE 802.11-2020 9.2.4.1.10)."""
    plain = encode_beacon(BSSID, "attic", 6)
    heard = decode_dot11(plain[:1] + b"\x80" + plain[2:24] + b"\1\2\3\4" + plain[24:], fcs=False)
    assert heard is not None
    assert heard.ssid == "attic"


def test_a_probe_request_to_everybody_has_no_bss() -> None:
    """The broadcast BSSID of a probe request is no BSS."""
    everybody = "ff:ff:ff:ff:ff:ff"
    built = other.Dot11(type=0, subtype=4, addr1=everybody, addr2="02:00:00:00:00:01", addr3=everybody)
    heard = decode_dot11(bytes(built / other.Dot11Elt(ID=0, info=b"")), fcs=False)
    assert heard is not None
    assert (heard.addr2, heard.bssid, heard.ssid) == ("02:00:00:00:00:01", None, None)


@pytest.mark.parametrize("version", [1, 2, 3])
def test_another_protocol_version_is_none(version: int) -> None:
    """Frames of a version other than 0 are noise (IEEE 802.11-2020 9.2.4.1.2)."""
    beacon = encode_beacon(BSSID, "attic", 6)
    assert decode_dot11(bytes([beacon[0] | version]) + beacon[1:], fcs=False) is None


def test_a_bad_check_sequence_makes_a_frame_worthless() -> None:
    """A data frame whose check sequence doesn't fit is none; one that fits is read."""
    data = bytes.fromhex("08010000") + BSSID + b"\x02\0\0\0\0\x01" + BSSID + bytes(12)
    assert decode_dot11(with_fcs(data), fcs=True) is not None
    assert decode_dot11(data + b"\0\0\0\0", fcs=True) is None
    assert decode_dot11(data[:9], fcs=True) is None


def test_a_damaged_beacon_that_names_itself_is_marked() -> None:
    """A beacon whose two addresses agree is kept, and says that it is damaged; one whose addresses differ is none."""
    beacon = encode_beacon(BSSID, "attic", 6)
    heard = decode_dot11(beacon + b"\0\0\0\0", fcs=True)
    assert heard is not None
    assert (heard.damaged, heard.ssid) == (True, "attic")
    whole = decode_dot11(with_fcs(beacon), fcs=True)
    assert whole is not None
    assert not whole.damaged
    assert decode_dot11(beacon[:10] + b"\x02" + beacon[11:] + b"\0\0\0\0", fcs=True) is None


def test_link_type_105_does_not_say_whether_a_check_sequence_follows() -> None:
    """With nobody knowing, four octets that fit are taken off, and others are left for the elements."""
    beacon = encode_beacon(BSSID, "attic", 6, bss_load=BssLoad(3, 51, 0))
    for octets in (beacon, with_fcs(beacon)):
        heard = decode_dot11(octets, fcs=None)
        assert heard is not None
        assert heard.elements is not None
        assert (heard.ssid, heard.elements.whole, heard.damaged) == ("attic", True, False)


def test_a_frame_cut_short_keeps_its_type() -> None:
    """Ten octets have a type, and a receiver if it is a control frame; fewer are none."""
    beacon = encode_beacon(BSSID, "attic", 6)
    heard = decode_dot11(beacon[:23], fcs=False)
    assert heard is not None
    assert (heard.is_beacon, heard.addr2, heard.elements) == (True, None, None)
    assert decode_dot11(beacon[:9], fcs=False) is None
    in_fixed = decode_dot11(beacon[:35], fcs=False)
    assert in_fixed is not None
    assert (in_fixed.bssid, in_fixed.elements) == (BSSID.hex(":"), None)


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built frames gives a frame or None, and noise too."""
    built = encode_beacon(BSSID, "attic", 6, bss_load=BssLoad(3, 51, 0))
    # Beacons of one network differ in little but clock and counters: one of each length, type and sender is spoilt.
    kinds = {(len(data), data[:2], data[10:16]): data for name in truth(captures) for data, _ in air(captures / name)}
    for data in spoilt([built, *(data for data in kinds.values() if len(data) <= 600)]):
        decode_dot11(data, fcs=False)
    for head in (b"", built[:24], b"\xb4\0"):
        for data in noise(20_000, head):
            decode_dot11(data, fcs=False)
            decode_dot11(data, fcs=None)


@repeatable
@given(
    ssid=st.text(min_size=1, max_size=8).filter(lambda text: "\0" not in text),
    channel=st.integers(1, 14),
    stations=st.integers(0, 65535),
    busy=st.integers(0, 255),
    sequence=st.integers(0, 4095),
    clock_us=st.integers(0, (1 << 64) - 1),
)
def test_scapy_reads_our_beacon(
    *, ssid: str, channel: int, stations: int, busy: int, sequence: int, clock_us: int
) -> None:
    """A beacon that we write says the same to scapy, and to us."""
    load = BssLoad(stations, busy, 0)
    frame = encode_beacon(BSSID, ssid, channel, bss_load=load, timestamp_us=clock_us, sequence=sequence)
    read = other.Dot11(frame)
    assert (read.addr2, read.addr3, read.SC >> 4) == (BSSID.hex(":"), BSSID.hex(":"), sequence)
    beacon = read[other.Dot11Beacon]
    assert (beacon.timestamp, beacon.beacon_interval) == (clock_us, 100)
    assert set(str(beacon.cap).split("+")) == {"ESS", "privacy"}
    assert beacon.network_stats()["channel"] == channel
    assert read[other.Dot11Elt].info == ssid.encode()
    heard = decode_dot11(frame, fcs=False)
    assert heard is not None
    assert (heard.ssid, heard.channel, heard.bss_load, heard.beacon_interval_tu) == (ssid, channel, load, 100)


def test_a_long_beacon_interval_has_two_octets() -> None:
    """The interval is a little-endian number of 16 bits, in time units (IEEE 802.11-2020 9.4.1.3)."""
    heard = decode_dot11(encode_beacon(BSSID, "attic", 6, interval_tu=1000), fcs=False)
    assert heard is not None
    assert heard.beacon_interval_tu == 1000


def test_what_no_beacon_can_carry_is_refused() -> None:
    """A bad BSSID, SSID, channel or load is OutOfRange, not a broken beacon."""
    for bssid, ssid, channel in ((b"\0", "attic", 6), (BSSID, "a" * 33, 6), (BSSID, "attic", 0), (BSSID, "attic", 256)):
        with pytest.raises(OutOfRange, match="no beacon carries"):
            encode_beacon(bssid, ssid, channel)
    with pytest.raises(OutOfRange, match="BSS Load"):
        encode_beacon(BSSID, "attic", 6, bss_load=BssLoad(0, 256, 0))
