from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dot11 import RadioTap, RadioTapExtendedPresenceMask

from netaudit.errors import OutOfRange
from netaudit.wire.radiotap import FLAG_BAD_FCS, FLAG_FCS_AT_END, Radiotap, decode_radiotap, encode_radiotap
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import frames, truth

if TYPE_CHECKING:
    from pathlib import Path

LINKTYPE = 127


def header(*words: int, fields: bytes = b"", length: int | None = None, version: int = 0) -> bytes:
    """Write a header by hand as radiotap.org lays it out."""
    size = 4 + 4 * len(words) + len(fields)
    return struct.pack(f"<BBH{len(words)}I", version, 0, size if length is None else length, *words) + fields


def real(captures: Path) -> list[bytes]:
    """Give each different frame with a radiotap header of the shared captures once."""
    return list({frame: None for name in truth(captures) for _, frame, _ in frames(captures / name, LINKTYPE)})


def test_every_real_header_says_what_scapy_reads(captures: Path) -> None:
    """Length, flags, rate, channel, signal and noise of every real header are what scapy reads."""
    compared = 0
    for frame in real(captures):
        heard = decode_radiotap(frame)
        if heard is None:
            continue
        read = RadioTap(frame[: heard.length])
        assert heard.length == read.len
        assert heard.flags == int(read.Flags or 0)
        assert heard.rate_bps == (None if not read.Rate else float(read.Rate) * 1e6)
        assert heard.channel_mhz == read.ChannelFrequency
        assert heard.signal_dbm == read.dBm_AntSignal
        assert heard.noise_dbm == read.dBm_AntNoise
        compared += 1
    assert compared > 900


@repeatable
@given(
    flags=st.none() | st.integers(0, 255),
    rate=st.none() | st.integers(1, 255),
    channel=st.none() | st.integers(1, 65535),
    signal=st.none() | st.integers(-128, 127),
    noise_dbm=st.none() | st.integers(-128, 127),
    clock=st.none() | st.integers(0, 1 << 63),
)
def test_every_field_is_what_scapy_wrote(
    *,
    flags: int | None,
    rate: int | None,
    channel: int | None,
    signal: int | None,
    noise_dbm: int | None,
    clock: int | None,
) -> None:
    """Whichever fields a header that scapy encodes has, they are found at their alignment and read back."""
    given_fields = {
        "mac_timestamp": ("TSFT", clock),
        "Flags": ("Flags", flags),
        "Rate": ("Rate", None if rate is None else rate / 2),
        "ChannelFrequency": ("Channel", channel),
        "dBm_AntSignal": ("dBm_AntSignal", signal),
        "dBm_AntNoise": ("dBm_AntNoise", noise_dbm),
    }
    present = "+".join(bit for bit, value in given_fields.values() if value is not None)
    values = {name: value for name, (_, value) in given_fields.items() if value is not None}
    if "ChannelFrequency" in values:
        values["ChannelFlags"] = 0
    heard = decode_radiotap(bytes(RadioTap(present=present, **values)))
    assert heard is not None
    assert (heard.channel_mhz, heard.signal_dbm, heard.noise_dbm) == (channel, signal, noise_dbm)
    assert heard.rate_bps == (None if rate is None else rate * 500e3)
    assert heard.flags == (flags or 0)
    assert heard.fcs_at_end == bool((flags or 0) & 0x10)
    assert heard.bad_fcs == bool((flags or 0) & 0x40)


def test_several_words_are_the_antennas_and_the_first_is_the_radio() -> None:
    """Words behind bit 31, each announced as radiotap's by bit 29, describe antennas: the first signal counts."""
    # flags and signal; then twice signal (5) and antenna (11)
    words = (1 << 1 | 1 << 5 | 1 << 29 | 1 << 31, 1 << 5 | 1 << 11 | 1 << 29 | 1 << 31, 1 << 5 | 1 << 11)
    heard = decode_radiotap(header(*words, fields=bytes([0x10, 0xC4, 0xBF, 0, 0xBE, 1])))
    assert heard is not None
    assert (heard.signal_dbm, heard.fcs_at_end) == (-60, True)


# Those fields of which scapy 2.8.0 writes all octets; it leaves out the last one of the extended channel, among others.
@pytest.mark.parametrize(
    "field",
    [
        "TSFT",
        "Channel",
        "dBm_AntNoise",
        "Lock_Quality",
        "Antenna",
        "RXFlags",
        "TXFlags",
        "A_MPDU",
        "VHT",
        "timestamp",
        "HE",
        "L_SIG",
    ],
)
def test_every_field_has_the_size_and_alignment_scapy_gives_it(field: str) -> None:
    """Behind one octet of flags and a field that scapy encodes, the signal of the next word is found where it is."""
    head = bytearray(
        bytes(
            RadioTap(
                present=f"Flags+{field}+RadiotapNS+Ext",
                Flags="FCS",
                mcs_nss=b"\0" * 5,
                Ext=[RadioTapExtendedPresenceMask(present="b5")],
            )
        )
    )
    head += b"\xc4"
    head[2] += 1
    heard = decode_radiotap(bytes(head))
    assert heard is not None
    assert (heard.signal_dbm, heard.length, heard.fcs_at_end) == (-60, len(head), True)


def test_as_many_words_as_there_are_bits_are_read() -> None:
    """Thirty-two words are read, one more is noise."""
    more = 1 << 31 | 1 << 29
    heard = decode_radiotap(header(*[more] * 31, 1 << 5, fields=b"\xc4"))
    assert heard is not None
    assert heard.signal_dbm == -60
    assert decode_radiotap(header(*[more] * 32, 1 << 5, fields=b"\xc4")) is None


def test_a_makers_words_are_passed_over() -> None:
    """Words behind bit 30 are a maker's: its data is skipped and the next words of radiotap's are read."""
    # rate; a maker's word; then, announced by bit 29, the signal. The maker's data: OUI, selector, 3 octets to skip.
    words = (1 << 2 | 1 << 30 | 1 << 31, 0x7 | 1 << 29 | 1 << 31, 1 << 5)
    fields = bytes([2]) + b"\0" * 1 + b"\x02\0\0\0" + struct.pack("<H", 3) + b"abc" + bytes([0xC4])
    heard = decode_radiotap(header(*words, fields=fields))
    assert heard is not None
    assert (heard.rate_bps, heard.signal_dbm) == (1e6, -60)


def test_an_unknown_field_hides_those_behind_it_but_not_the_frame() -> None:
    """Behind a field of unknown size nothing has a known place; the length still leads to the frame."""
    heard = decode_radiotap(header(1 << 1 | 1 << 28 | 1 << 29 | 1 << 31, 1 << 5, fields=b"\x10" + bytes(9)))
    assert heard is not None
    assert (heard.fcs_at_end, heard.signal_dbm, heard.length) == (True, None, 22)
    undefined = decode_radiotap(header(1 << 1 | 1 << 31, 1 << 5, fields=b"\x10\xc4"))
    assert undefined is not None
    assert undefined.signal_dbm is None


def test_a_field_over_the_end_of_the_header_is_none() -> None:
    """A header that announces more than its length holds gives what fits."""
    heard = decode_radiotap(header(1 << 1 | 1 << 3, fields=b"\x10\0\x85"))
    assert heard is not None
    assert (heard.flags, heard.channel_mhz) == (0x10, None)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        header(0)[:7],
        header(0, version=1),
        header(0, length=9),
        header(0, length=7),
        header(0, length=65535),
        header(1 << 31),
        header(*[1 << 31] * 40, 0),
    ],
    ids=["nothing", "cut", "version", "longer than captured", "shorter than itself", "lies", "no last word", "words"],
)
def test_a_header_that_lies_is_none(data: bytes) -> None:
    """A length beyond what was captured, or words beyond the length, make it none."""
    assert decode_radiotap(data) is None


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built headers gives a header or None, and noise too."""
    heads = {data[: max(8, int.from_bytes(data[2:4], "little"))] for data in real(captures)}
    for data in spoilt(heads):
        decode_radiotap(data)
    for head in (b"", b"\0\0\x40\0", b"\0\0\x20\0\xff\xff\xff\xff"):
        for data in noise(20_000, head):
            decode_radiotap(data)


@repeatable
@given(channel=st.integers(1, 65535), signal=st.integers(-128, 127), fcs=st.booleans())
def test_scapy_reads_our_header(*, channel: int, signal: int, fcs: bool) -> None:
    """A header that we write says the same to scapy, and to us."""
    data = encode_radiotap(channel, signal, fcs_at_end=fcs)
    read = RadioTap(data)
    assert (read.len, read.ChannelFrequency, read.dBm_AntSignal) == (len(data), channel, signal)
    assert bool(read.Flags.FCS) == fcs
    assert set(str(read.ChannelFlags).split("+")) == (
        {"Dynamic_CCK_OFDM", "2GHz"} if channel < 3000 else {"OFDM", "5GHz"}
    )
    assert decode_radiotap(data) == Radiotap(
        length=len(data),
        flags=FLAG_FCS_AT_END * fcs,
        fcs_at_end=fcs,
        bad_fcs=False,
        rate_bps=None,
        channel_mhz=channel,
        signal_dbm=signal,
        noise_dbm=None,
    )


def test_the_flags_are_those_scapy_names() -> None:
    """The two flags we look at have scapy's places."""
    # scapy 2.8.0, RadioTap.Flags
    assert int(RadioTap(present="Flags", Flags="FCS").Flags) == FLAG_FCS_AT_END
    assert int(RadioTap(present="Flags", Flags="badFCS").Flags) == FLAG_BAD_FCS


@pytest.mark.parametrize(("channel", "signal"), [(0, -60), (65536, -60), (2412, -129), (2412, 128)])
def test_what_no_header_can_say_is_refused(channel: int, signal: int) -> None:
    """A channel or a signal that its field can't hold is OutOfRange."""
    with pytest.raises(OutOfRange, match="dBm"):
        encode_radiotap(channel, signal)
