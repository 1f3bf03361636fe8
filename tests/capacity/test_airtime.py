from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.airtime import (
    ACK_BYTES,
    AMPDU_MAX_BYTES,
    BLOCK_ACK_WINDOW,
    PPDU_MAX_US,
    Category,
    Channel,
    Protection,
    access,
    ampdu_bytes,
    answer_mode,
    broadcast_us,
    exchange,
    frames_per_turn,
    mpdu_bytes,
    ppdu_us,
    preamble_us,
    spacing,
)
from netaudit.capacity.rates import FAMILIES, Band, Mode, Phy, dsss, ht, ofdm, rate_bps, refused
from netaudit.errors import OutOfRange

G2, G5, G6 = Band.GHZ_2_4, Band.GHZ_5, Band.GHZ_6

MODES = st.one_of(
    st.sampled_from([dsss(rate) for rate in (1, 2, 5.5, 11)]),
    st.sampled_from([ofdm(rate) for rate in (6, 9, 12, 18, 24, 36, 48, 54)]),
    st.builds(
        ht,
        st.integers(0, 7),
        streams=st.integers(1, 4),
        width_mhz=st.sampled_from([20, 40]),
        guard_ns=st.sampled_from([400, 800]),
    ),
    st.sampled_from(
        [
            Mode(phy, mcs, streams, width, guard)
            for phy in (Phy.VHT, Phy.HE, Phy.EHT)
            for mcs in (0, 4, 7, 9, 11, 13)
            for streams in (1, 2, 3, 8)
            for width in FAMILIES[phy].tones
            for guard in FAMILIES[phy].guards_ns
            if refused(phy, mcs, streams, width, guard) is None
        ]
    ),
)


# Durations that a simulator (ns-3 3.44) used in its runs, which agree with the standard's equations [us].
@pytest.mark.parametrize(
    ("mode", "size", "band", "us"),
    [
        (ofdm(54), 1536, G5, 248),
        (ofdm(24), 1536, G5, 536),
        (ofdm(6), 1536, G5, 2072),
        (ofdm(54), 1536, G2, 254),
        (ht(7), 1538, G2, 234),
        (ht(7), 266, G2, 78),
        (ht(0), 266, G2, 374),
        (ofdm(24), 32, G2, 38),
        (ofdm(24), 32, G5, 32),
        (ofdm(24), 56, G5, 40),
        (dsss(11), 1536, G2, 1310),
        (dsss(2), 1536, G2, 6336),
        (dsss(2), ACK_BYTES, G2, 248),
        (dsss(1), ACK_BYTES, G2, 304),
        # 1536 octets at 1 Mb/s, and a 300-octet beacon at 1 and 6 Mb/s: 192 + 8 us an octet; 20 + 4 us a symbol + 6.
        (dsss(1), 1536, G2, 12480),
        (dsss(1), 300, G2, 2592),
        (ofdm(6), 300, G2, 430),
    ],
)
def test_durations_are_those_of_the_simulator(mode: Mode, size: int, band: Band, us: float) -> None:
    """A PPDU lasts as long as an independent program says, to the microsecond."""
    assert ppdu_us(mode, size, band) == us


# IEEE 802.11-2020 21.3.4 and 802.11ax-2021 27.3.4: training symbols for 1 to 8 streams are 1, 2, 4, 4, 6, 6, 8, 8.
@pytest.mark.parametrize(("streams", "symbols"), list(enumerate((1, 2, 4, 4, 6, 6, 8, 8), start=1)))
def test_preambles_grow_with_training_symbols(streams: int, symbols: int) -> None:
    """VHT: 36 us and 4 a symbol; HE at 0.8 us guard: 36 and 7.2 a symbol; EHT has 8 us more of signalling."""
    assert preamble_us(Mode(Phy.VHT, 0, streams, 40, 800)) == 36 + 4 * symbols
    assert preamble_us(Mode(Phy.HE, 0, streams)) == pytest.approx(36 + 7.2 * symbols)
    assert preamble_us(Mode(Phy.EHT, 0, streams)) == pytest.approx(44 + 7.2 * symbols)


@given(MODES, st.integers(1, 3000), st.integers(0, 500))
def test_longer_frames_last_longer_and_none_beats_its_rate(mode: Mode, size: int, more: int) -> None:
    """Duration never falls with size, and is never shorter than the bits at the mode's rate."""
    one, other = ppdu_us(mode, size, G2), ppdu_us(mode, size + more, G2)
    assert one <= other
    assert one >= 8e6 * size / rate_bps(mode)


@given(MODES, st.integers(1, 4095))
def test_2_4_ghz_costs_six_more_on_ofdm(mode: Mode, size: int) -> None:
    """The signal extension lies on every OFDM-based PPDU in 2.4 GHz (IEEE 802.11-2020 18.3.2.4, 19.3.2) and on no other."""
    if mode.is_dsss:
        with pytest.raises(OutOfRange, match=r"2\.4"):
            ppdu_us(mode, size, G5)
    else:
        assert ppdu_us(mode, size, G2) == pytest.approx(ppdu_us(mode, size, G5) + 6)


def test_short_preamble_never_at_1_mbps() -> None:
    """IEEE 802.11-2020 16.2.2: the short preamble exists from 2 Mb/s on."""
    assert preamble_us(dsss(1), short_preamble=True) == 192
    assert preamble_us(dsss(2), short_preamble=True) == 96


@pytest.mark.parametrize(("mode", "size"), [(ofdm(6), 0), (ofdm(6), 4096), (ht(7), 65_536), (dsss(1), 4096)])
def test_sizes_outside_the_standard_are_refused(mode: Mode, size: int) -> None:
    """No frame is empty, and none is longer than its length field can say."""
    with pytest.raises(OutOfRange):
        ppdu_us(mode, size, G2)


def test_long_slots_only_in_2_4_ghz() -> None:
    """802.11b clients exist in 2.4 GHz only, so long slots do."""
    with pytest.raises(OutOfRange, match="long slots"):
        spacing(G6, long_slot=True)


# IEEE 802.11-2020 10.6.6.5.2 with Table 10-10; mandatory rates 6, 12, 24 (17.2.3).
@pytest.mark.parametrize(
    ("mode", "basic", "answer"),
    [
        (ofdm(54), (), ofdm(24)),
        (ofdm(18), (), ofdm(12)),
        (ofdm(9), (), ofdm(6)),
        (ht(0), (), ofdm(6)),
        (ht(3), (), ofdm(24)),
        (ht(7, streams=4, width_mhz=40), (), ofdm(24)),
        (Mode(Phy.HE, 11), (6.0, 12.0, 24.0, 54.0), ofdm(54)),
        (ht(2), (1.0, 2.0, 12.0), ofdm(12)),
        (ht(0), (12.0,), ofdm(6)),  # none of the basic rates is low enough: the mandatory one serves
        (dsss(11), (1.0, 2.0), dsss(2)),
        (dsss(11), (1.0, 2.0, 5.5, 11.0), dsss(11)),
        (dsss(1), (2.0,), dsss(1)),
    ],
)
def test_answers_go_at_the_fastest_basic_rate_not_above(mode: Mode, basic: tuple[float, ...], answer: Mode) -> None:
    """ACK and Block ACK: same modulation class, not above the reference rate, else mandatory."""
    assert answer_mode(mode, basic) == answer


def test_one_exchange_adds_up() -> None:
    """100 octets at HT MCS 7 in 2.4 GHz: 36 + 4 us x 4 symbols + 6, SIFS 10, ACK 20 + 8 + 6 (24 Mb/s): 102 us busy."""
    one = exchange(ht(7), 100, Channel(G2))
    assert one.on_air_us == (36 + 16 + 6) + (20 + 8 + 6)
    assert one.gaps_us == 10
    assert one.busy_us == 102
    assert one.collision_us == 58


def test_protection_puts_its_frames_before() -> None:
    """CTS-to-self at 1 Mb/s: 304 us and a SIFS before; RTS/CTS: 352 + 304 us and two SIFS, and only the RTS is lost."""
    plain = exchange(ht(7), 1500, Channel(G2, long_slot=True))
    warned = exchange(ht(7), 1500, Channel(G2, long_slot=True, protection=Protection.CTS_TO_SELF))
    asked = exchange(ht(7), 1500, Channel(G2, long_slot=True, protection=Protection.RTS_CTS))
    assert warned.busy_us - plain.busy_us == 304 + 10
    assert asked.busy_us - plain.busy_us == 352 + 304 + 2 * 10
    assert asked.collision_us == 352
    # An 802.11b frame is heard by everybody and needs no warning.
    dsss_frame = exchange(dsss(11), 1500, Channel(G2, long_slot=True, protection=Protection.CTS_TO_SELF))
    assert dsss_frame == exchange(dsss(11), 1500, Channel(G2, long_slot=True))


# A-MPDU lengths that the simulator (ns-3 3.44) formed with 1538-octet frames.
@pytest.mark.parametrize(
    ("mode", "band", "most_bytes", "frames"),
    [
        (ht(7), G2, 65_535, 28),  # 5.484 ms bind
        (ht(7, guard_ns=400), G2, 65_535, 31),
        (Mode(Phy.VHT, 9, 2, 80, 400), G5, 65_535, 42),  # octets bind
        (Mode(Phy.VHT, 9, 2, 80, 400), G5, 1_048_575, 64),  # the window binds
        (Mode(Phy.HE, 11, 2, 80, 800), G5, 6_500_631, 256),
    ],
)
def test_a_mpdus_are_as_long_as_the_simulators(mode: Mode, band: Band, most_bytes: int, frames: int) -> None:
    """Whichever of octets, window and time ends first."""
    assert frames_per_turn(mode, 1538, band, max_bytes=most_bytes) == frames


@given(MODES, st.integers(50, 2300), st.sampled_from([0.0, 1000.0, 2528.0, 4096.0]))
def test_no_turn_is_longer_than_its_limits(mode: Mode, size: int, txop_us: float) -> None:
    """An A-MPDU of more than one frame keeps to octets, window, longest PPDU and the turn's limit with its answer."""
    frames = frames_per_turn(mode, size, G2, txop_us=txop_us)
    if frames > 1:
        octets = ampdu_bytes(frames, size)
        assert octets <= AMPDU_MAX_BYTES[mode.phy]
        assert frames <= BLOCK_ACK_WINDOW[mode.phy]
        assert ppdu_us(mode, octets, G2) <= PPDU_MAX_US
        turn = exchange(mode, size, Channel(G2), frames=frames)
        assert not txop_us or turn.busy_us <= txop_us


def test_older_phys_send_one_by_one() -> None:
    """802.11a/b/g have no A-MPDU; asking for one is refused."""
    assert frames_per_turn(ofdm(54), 1536, G5) == 1
    with pytest.raises(OutOfRange, match="at once"):
        exchange(ofdm(54), 1536, Channel(G5), frames=2)


# IEEE 802.11-2020 9.7.1: a 4-octet delimiter each, padded to 4 but the last.
def test_a_mpdu_octets() -> None:
    """Two frames of 1538: 4 + 1538 + 2 + 4 + 1538."""
    assert ampdu_bytes(1, 1538) == 1542
    assert ampdu_bytes(2, 1538) == 3086


def test_mac_frames() -> None:
    """A 1500-octet packet with QoS and CCMP: 26 + 8 + 1500 + 16 + 4; in the open and without QoS 16 and 2 less."""
    assert mpdu_bytes(1500) == 1554
    assert mpdu_bytes(1500, qos=False, ciphered=False) == 1536


def test_broadcasts_and_beacons_go_at_the_lowest_basic_rate() -> None:
    """1 Mb/s in 2.4 GHz and 6 Mb/s elsewhere unless the plan says otherwise; no answer is counted."""
    assert broadcast_us(300, Channel(G2)) == 2592
    assert broadcast_us(300, Channel(G5)) == 424
    assert broadcast_us(300, Channel(G2, basic_mbps=(6.0, 12.0, 24.0))) == 430
    assert Channel(G2, basic_mbps=(5.5, 11.0)).lowest == dsss(5.5)


def test_plain_stations_have_no_turns() -> None:
    """DCF: DIFS, CWmin 15 or 31, no QoS."""
    assert access(Category.DCF).qos is False
    assert access(Category.DCF, dsss_only=True).cw_min == 31
