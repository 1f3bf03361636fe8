from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.rates import Band, Mode, Phy, dsss, ht, ofdm, rate_bps
from netaudit.capacity.sensitivity import common_phy, fastest, minimum_dbm, slowest

PHYS = st.sampled_from([Phy.HR_DSSS, Phy.OFDM, Phy.HT, Phy.VHT, Phy.HE, Phy.EHT])
WIDTHS = st.sampled_from([20, 40, 80, 160, 320])


# IEEE 802.11-2020 Table 19-23 (HT), 802.11ax-2021 Table 27-51 (HE).
def test_streams_and_guard_dont_change_the_level() -> None:
    """The tables are by modulation, code and width alone; HT 15 needs what HT 7 needs."""
    assert minimum_dbm(ht(7, streams=2, guard_ns=400)) == minimum_dbm(ht(7)) == -64
    assert minimum_dbm(Mode(Phy.HE, 11, 8, 160, 3200)) == -43


@given(PHYS, st.integers(1, 8), WIDTHS, st.floats(-100, -20), st.floats(0, 30))
def test_more_signal_is_never_slower(phy: Phy, streams: int, width_mhz: int, level: float, more: float) -> None:
    """The chosen mode is one that the level carries, and its rate never falls with the level."""
    weak, strong = fastest(level, phy, streams, width_mhz), fastest(level + more, phy, streams, width_mhz)
    if weak is not None:
        assert minimum_dbm(weak) <= level
        assert strong is not None
        assert rate_bps(strong) >= rate_bps(weak)


@given(PHYS, st.integers(1, 4), WIDTHS, st.floats(-82, -20))
def test_more_streams_and_width_are_never_slower(phy: Phy, streams: int, width_mhz: int, level: float) -> None:
    """What both ends can do more is never a loss: the narrower or fewer is still there to choose."""
    one = fastest(level, phy, streams, width_mhz)
    other = fastest(level, phy, streams + 1, width_mhz * 2)
    if one is not None:
        assert other is not None
        assert rate_bps(other) >= rate_bps(one)


# IEEE 802.11-2020 Table 19-23: 64-QAM 5/6 needs -64 dBm at 20 MHz and -61 at 40, 64-QAM 3/4 at 40 MHz -62.
def test_a_wider_channel_wins_when_the_level_carries_it() -> None:
    """At -62 dBm 40 MHz at MCS 6 (121.5 Mb/s, needs -62) beats 20 MHz at MCS 7 (65 Mb/s)."""
    assert fastest(-62, Phy.HT, 1, 40) == ht(6, width_mhz=40)
    assert fastest(-62, Phy.HT, 1, 20) == ht(7)


def test_below_the_slowest_there_is_nothing() -> None:
    """-82 dBm is where MCS 0 ends, -80 dBm where DSSS does."""
    assert fastest(-82, Phy.HE, 2, 80) == Mode(Phy.HE, 0, 2)
    assert fastest(-83, Phy.HE, 2, 80) is None
    assert fastest(-80, Phy.HR_DSSS, 1, 20) == dsss(2)
    assert fastest(-77, Phy.OFDM, 1, 20) == ofdm(18)


def test_the_slowest_mode() -> None:
    """MCS 0 on one stream, 1 Mb/s, 6 Mb/s."""
    assert slowest(Phy.VHT) == Mode(Phy.VHT, 0)
    assert slowest(Phy.HR_DSSS) == dsss(1)
    assert slowest(Phy.OFDM) == ofdm(6)


# IEEE 802.11-2020 21.1.1: VHT operates in 5 GHz.
@pytest.mark.parametrize(
    ("one", "other", "band", "common"),
    [
        (Phy.HE, Phy.HT, Band.GHZ_2_4, Phy.HT),
        (Phy.HE, Phy.VHT, Band.GHZ_5, Phy.VHT),
        (Phy.VHT, Phy.HE, Band.GHZ_2_4, Phy.HT),
        (Phy.EHT, Phy.EHT, Band.GHZ_6, Phy.EHT),
        (Phy.HR_DSSS, Phy.HE, Band.GHZ_5, Phy.OFDM),
        (Phy.HT, Phy.HE, Band.GHZ_6, Phy.HE),
    ],
)
def test_both_ends_speak_the_older_phy(one: Phy, other: Phy, band: Band, common: Phy) -> None:
    """The newest PHY that both have, and one that the band has; 802.11ac equipment is 802.11n in 2.4 GHz."""
    assert common_phy(one, other, band) is common
    assert common_phy(other, one, band) is common
