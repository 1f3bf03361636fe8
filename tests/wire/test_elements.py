from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers import dot11 as other

from netaudit.wire.elements import BssLoad, decode_elements, encode_beacon_elements, encode_element
from tests.wire.abuse import noise, repeatable, spoilt

HT_OPERATION, VHT_OPERATION, HT_CAPABILITIES, VHT_CAPABILITIES = 61, 192, 45, 191


def extended(number: int, body: bytes) -> bytes:
    """Write an element of identifier 255, IEEE 802.11-2020 9.4.2.1."""
    return encode_element(255, bytes([number]) + body)


@repeatable
@given(
    ssid=st.binary(min_size=1, max_size=32),
    rates=st.lists(st.sampled_from([2, 4, 11, 22, 12, 18, 24, 36, 48, 72, 96, 108]), min_size=1, max_size=8),
    channel=st.integers(1, 14),
    country=st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ", min_size=2, max_size=2),
    stations=st.integers(0, 65535),
    busy=st.integers(0, 255),
    capacity=st.integers(0, 65535),
    basic=st.booleans(),
)
def test_every_field_is_what_scapy_wrote(
    *, ssid: bytes, rates: list[int], channel: int, country: str, stations: int, busy: int, capacity: int, basic: bool
) -> None:
    """SSID, rates, channel, country and RSN that scapy encodes, and BSS Load beside them, are read back."""
    # IEEE 802.11-2020 9.4.2.27: counts are little-endian; scapy has no class for this element.
    load = stations.to_bytes(2, "little") + bytes([busy]) + capacity.to_bytes(2, "little")
    built: Any = (
        other.Dot11Elt(ID=0, info=ssid)
        / other.Dot11EltRates(rates=[(rate | 0x80 * basic) for rate in rates])
        / other.Dot11EltDSSSet(channel=channel)
        / other.Dot11EltCountry(country_string=country.encode() + b" ")
        / other.Dot11Elt(ID=11, info=load)
        / other.Dot11EltRSN()
    )
    heard = decode_elements(bytes(built))
    assert heard.ssid == ssid
    assert heard.rates_bps == tuple(rate * 500e3 for rate in rates)
    assert (heard.channel, heard.country, heard.rsn, heard.whole) == (channel, country, True, True)
    assert heard.bss_load == BssLoad(stations, busy, capacity)
    assert (heard.ht, heard.vht, heard.he, heard.eht) == (False, False, False, False)


# IEEE 802.11-2020 9.4.2.56 and 9.4.2.158: offset 1 above, 3 below; VHT width 0 leaves it to HT.
@pytest.mark.parametrize(
    ("offset", "any_width", "vht", "width_mhz"),
    [
        (0, 0, None, 20),
        (1, 1, None, 40),
        (3, 1, None, 40),
        (3, 0, None, 20),
        (1, 1, (0, 0, 0), 40),
        (1, 1, (1, 42, 0), 80),
        (1, 1, (1, 42, 50), 160),
        (1, 1, (2, 50, 0), 160),
        (1, 1, (3, 42, 106), 160),
    ],
)
def test_the_width_in_use(offset: int, any_width: int, vht: tuple[int, int, int] | None, width_mhz: int) -> None:
    """HT and VHT operation that scapy encodes give the primary channel and the width in use."""
    built: Any = other.Dot11EltHTOperation(primary_channel=36, secondary_channel_offset=offset, channel_width=any_width)
    if vht is not None:
        names = ("channel_width", "channel_center0", "channel_center1")
        info = other.Dot11VHTOperationInfo(**dict(zip(names, vht, strict=True)))
        built /= other.Dot11EltVHTOperation(VHT_Operation_Info=info, mcs_set=[0] * 8)
    heard = decode_elements(bytes(built))
    assert (heard.channel, heard.width_mhz) == (36, width_mhz)
    assert (heard.ht, heard.vht) == (True, vht is not None)


@pytest.mark.parametrize("with_vht", [False, True])
@pytest.mark.parametrize("with_co_hosted", [False, True])
@pytest.mark.parametrize(("field", "width_mhz"), [(0, 20), (1, 40), (2, 80), (3, 160)])
def test_the_width_in_use_at_6_ghz(field: int, width_mhz: int, *, with_vht: bool, with_co_hosted: bool) -> None:
    """HE operation that scapy encodes gives the primary channel and width at 6 GHz, whatever stands in between."""
    built = other.Dot11EltHEOperation(
        six_g_op_info_present=1,
        vht_operation_info_present=int(with_vht),
        co_hosted_bss=int(with_co_hosted),
        basic_he_mcs_and_nss_set=[0] * 8,
        vht_operation_info=other.Dot11VHTOperationInfo(),
        he_6g_operation_info=other.Dot11HE6GOperationInfo(primary_channel=37, channel_width=field),
    )
    heard = decode_elements(encode_element(255, bytes(built)[2:]))  # scapy leaves the length at 0
    assert (heard.channel, heard.width_mhz, heard.he) == (37, width_mhz, True)


# IEEE 802.11-2020 9.4.2.55.4 and 9.4.2.157.3: an octet a stream; two bits a stream, 3 means not supported.
@pytest.mark.parametrize("streams", [1, 2, 3, 4])
def test_streams_and_widths_a_sender_could_use(streams: int) -> None:
    """The capabilities of each generation give the streams, and the widest channel of all."""
    ht_body = b"\x02\0" + b"\0" + b"\xff" * streams + bytes(23 - streams)
    stream_map = sum((2 if count < streams else 3) << 2 * count for count in range(8)).to_bytes(2, "little")
    vht_body = b"\x04\0\0\0" + stream_map + bytes(6)
    he_body = bytes(6) + b"\x04" + bytes(10) + stream_map + bytes(2)
    ht = decode_elements(encode_element(HT_CAPABILITIES, ht_body))
    assert (ht.streams, ht.capable_width_mhz, ht.ht) == (streams, 40, True)
    vht = decode_elements(encode_element(VHT_CAPABILITIES, vht_body))
    assert (vht.streams, vht.capable_width_mhz, vht.vht) == (streams, 160, True)
    he = decode_elements(extended(35, he_body))
    assert (he.streams, he.capable_width_mhz, he.he) == (streams, 80, True)
    read = other.Dot11EltHTCapabilities(encode_element(HT_CAPABILITIES, ht_body))
    assert read.Supported_Channel_Width == 1
    assert read.RX_MSC_Bitmask == (1 << 8 * streams) - 1


@pytest.mark.parametrize("number", [106, 108])
def test_eht_is_noticed(number: int) -> None:
    """EHT operation (106) or capabilities (108) tell that the sender speaks 802.11be."""
    assert decode_elements(extended(number, bytes(9))).eht


# IEEE 802.11-2020 9.4.2.2: an SSID of no octets or of zeros hides the name.
@pytest.mark.parametrize("ssid", [b"", b"\0", b"\0" * 32])
def test_a_hidden_network_has_no_name(ssid: bytes) -> None:
    """Empty and zero SSIDs are there, but are no name."""
    heard = decode_elements(encode_element(0, ssid))
    assert (heard.ssid, heard.name) == (ssid, None)


def test_the_name_is_text_and_the_octets_stay() -> None:
    """What isn't UTF-8 is replaced in the name and kept in the octets."""
    heard = decode_elements(encode_element(0, b"attic\xff"))
    assert (heard.ssid, heard.name) == (b"attic\xff", "attic\ufffd")


def test_bss_load_counts_little_endian_and_shares_of_255() -> None:
    """Three stations and 51/255 are 3 and 0.2, in the standard's form and the shorter one of the drafts."""
    for body, capacity in ((b"\x03\0\x33\x12\x7a", 31250), (b"\x03\0\x33\x10", None)):
        load = decode_elements(encode_element(11, body)).bss_load
        assert load == BssLoad(3, 51, capacity)
        assert load.busy_share == pytest.approx(0.2)


@pytest.mark.parametrize("body", [b"", b"\x03\0\x33", b"\x03\0\x33\0\0\0"])
def test_bss_load_of_another_size_is_none(body: bytes) -> None:
    """A BSS Load of an impossible size tells nothing."""
    assert decode_elements(encode_element(11, body)).bss_load is None


def test_tim_gives_the_beacons_to_the_next_group_traffic() -> None:
    """DTIM count and period are the first two octets of the TIM (9.4.2.5)."""
    heard = decode_elements(encode_element(5, b"\x01\x03\0\0"))
    assert (heard.dtim_count, heard.dtim_period) == (1, 3)
    # in a beacon for nobody in particular the map may be left out, so three octets are enough
    short = decode_elements(encode_element(5, b"\x01\x03\0"))
    assert (short.dtim_count, short.dtim_period) == (1, 3)
    assert decode_elements(encode_element(5, b"\x01\x03")).dtim_period is None


def test_membership_selectors_are_no_rates() -> None:
    """Values above 54 Mb/s (127 for HT, 123 for SAE only) are not rates; bit 7 only marks basic ones."""
    heard = decode_elements(encode_element(1, b"\x82\x0c\xff\xfb") + encode_element(50, b"\x6c"))
    assert heard.rates_bps == (1e6, 6e6, 54e6)


def test_an_element_of_wrong_inner_length_shifts_nothing() -> None:
    """Only the outer lengths lead from element to element; the first of a kind counts."""
    heard = decode_elements(
        encode_element(0, b"attic")
        + encode_element(48, b"\x01\0\xff\xff\xff")
        + encode_element(0, b"\0" * 5 + b"cellar")
    )
    assert (heard.ssid, heard.rsn, heard.whole) == (b"attic", True, True)


def test_an_element_over_the_end_leaves_those_before_it() -> None:
    """The last element may be cut: those before stay."""
    heard = decode_elements(encode_element(0, b"attic") + b"\x0b\x05\x01\x00")
    assert (heard.ssid, heard.bss_load, heard.whole) == (b"attic", None, False)
    assert not decode_elements(b"\x00").whole


@pytest.mark.parametrize("octets", [b"a" * 33, b"a" * 255])
def test_an_ssid_has_at_most_32_octets(octets: bytes) -> None:
    """A longer SSID is none (9.4.2.2)."""
    assert decode_elements(encode_element(0, octets)).ssid is None


def test_no_cut_flip_or_noise_raises() -> None:
    """Every cut and every flipped bit of a full set of elements is read somehow, and noise and 64 kB too."""
    full = b"".join(
        [
            encode_beacon_elements(b"attic", 6, BssLoad(3, 51, 0)),
            encode_element(5, b"\0\x02\0\0"),
            encode_element(7, b"DE "),
            encode_element(HT_CAPABILITIES, bytes(26)),
            encode_element(HT_OPERATION, bytes(22)),
            encode_element(VHT_CAPABILITIES, bytes(12)),
            encode_element(VHT_OPERATION, bytes(5)),
            extended(35, bytes(21)),
            extended(36, b"\0\xc0\x02" + bytes(12)),
            encode_element(255, b""),
        ]
    )
    assert decode_elements(full).whole
    for data in spoilt([full]):
        decode_elements(data)
    for data in noise(20_000):
        decode_elements(data)
    assert decode_elements(b"\x00\x00" * 32_000).whole
