from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.rates import (
    FAMILIES,
    LADDER,
    Mode,
    Phy,
    data_bits,
    dsss,
    encoders,
    ht,
    ofdm,
    rate_bps,
    refused,
)
from netaudit.errors import OutOfRange

# IEEE 802.11-2020 21.5, holes of the VHT tables; one to four streams as printed in public tables, five to eight from memory.
VHT_HOLES = {
    *((20, streams, 9) for streams in (1, 2, 4, 5, 7, 8)),
    (80, 3, 6),
    (80, 7, 6),
    (80, 6, 9),
    (160, 3, 9),
}


def test_vht_has_exactly_the_holes_of_the_standard() -> None:
    """For one to eight streams the integrality rule leaves out what the standard's tables leave out, and nothing else."""
    family = FAMILIES[Phy.VHT]
    found = {
        (width, streams, mcs)
        for width in family.tones
        for streams in range(1, 9)
        for mcs in range(10)
        if refused(Phy.VHT, mcs, streams, width, 800)
    }
    assert found == VHT_HOLES


def test_each_number_of_vht_encoders_divides_the_bits() -> None:
    """Whatever is allowed shares coded and data bits evenly, with the fewest encoders of 600 Mb/s that do."""
    family = FAMILIES[Phy.VHT]
    for width, tones in family.tones.items():
        for streams in range(1, 9):
            for mcs in range(10):
                if refused(Phy.VHT, mcs, streams, width, 400):
                    continue
                mode = Mode(Phy.VHT, mcs, streams, width, 400)
                coded, data = tones * LADDER[mcs].bits * streams, int(data_bits(mode))
                least = -(-data // 2160)
                fitting = [n for n in range(least, 30) if coded % n == 0 and data % n == 0]
                assert encoders(mode) == fitting[0]


@pytest.mark.parametrize(
    ("names", "reason"),
    [
        ((Phy.HE, 11, 1, 20, 400), "guard"),  # HE has no 400 ns guard: 802.11ax-2021 27.5
        ((Phy.EHT, 13, 1, 20, 400), "guard"),
        ((Phy.HT, 7, 1, 20, 1600), "guard"),
        ((Phy.HT, 8, 1, 20, 800), "streams"),  # HT 8 is the first of two streams
        ((Phy.HT, 32, 1, 40, 800), "MCS"),
        ((Phy.HT, 7, 1, 80, 800), "width"),
        ((Phy.VHT, 10, 1, 80, 800), "MCS"),
        ((Phy.VHT, 6, 3, 80, 800), "encoders"),
        ((Phy.VHT, 9, 1, 20, 800), "whole number"),
        ((Phy.HE, 12, 1, 20, 800), "MCS"),
        ((Phy.HE, 0, 9, 20, 800), "streams"),
        ((Phy.HE, 0, 1, 320, 800), "width"),
        ((Phy.EHT, 14, 1, 320, 800), "MCS"),
        ((Phy.OFDM, 11, 1, 20, 800), "rates"),
        ((Phy.OFDM, 54, 2, 20, 800), "streams"),
        ((Phy.OFDM, 54, 1, 20, 400), "guard"),
        ((Phy.DSSS, 5.5, 1, 22, 0), "rates"),
        ((Phy.HR_DSSS, 11, 1, 20, 800), "one stream"),
        ((Phy.HE, 2.5, 1, 20, 800), "MCS"),
    ],
)
def test_what_the_standard_lacks_is_refused_with_the_reason(
    names: tuple[Phy, float, int, int, int], reason: str
) -> None:
    """A combination that doesn't exist can't be built, and the message names what is wrong."""
    with pytest.raises(OutOfRange, match=reason):
        Mode(*names)


# Rates of eight streams: 802.11ax-2021 27.5, 802.11be-2024 36.5 and IEEE 802.11-2020 21.5 as printed in public tables [Mb/s].
@pytest.mark.parametrize(
    ("mode", "mbps"),
    [
        (Mode(Phy.VHT, 9, 8, 160, 400), 6933.3),
        (Mode(Phy.VHT, 9, 4, 80, 400), 1733.3),
        (Mode(Phy.HE, 11, 8, 160, 800), 9607.8),
        (Mode(Phy.HE, 11, 1, 20, 800), 143.4),
        (Mode(Phy.EHT, 13, 8, 320, 800), 23058.8),
        (Mode(Phy.EHT, 13, 1, 20, 800), 172.1),
        (ht(7, streams=4, width_mhz=40, guard_ns=400), 600.0),
        (ofdm(54), 54.0),
        (dsss(5.5), 5.5),
    ],
)
def test_rates_are_those_that_are_printed(mode: Mode, mbps: float) -> None:
    """The rate to one decimal, halves up, rounded after multiplying."""
    assert math.floor(rate_bps(mode) / 1e5 + 0.5) / 10 == mbps


@given(st.sampled_from([Phy.HT, Phy.HE, Phy.EHT]), st.integers(0, 7), st.integers(1, 4))
def test_two_streams_carry_twice_as_much(phy: Phy, step: int, streams: int) -> None:
    """Rate grows in proportion to streams; and each step of the ladder is faster than the one before."""
    if phy is Phy.HT:
        one, many = ht(step), ht(step, streams=streams)
        slower = ht(step - 1) if step else None
    else:
        one, many = Mode(phy, step), Mode(phy, step, streams)
        slower = Mode(phy, step - 1) if step else None
    assert data_bits(many) == streams * data_bits(one)
    assert slower is None or rate_bps(slower) < rate_bps(one)


def test_the_ladder_climbs() -> None:
    """Bits a tone rise from step to step; the trade's names say which modulation it is."""
    carried = [coding.bits * coding.code for coding in LADDER]
    assert carried == sorted(carried)
    assert carried[0] == Fraction(1, 2)
    assert [LADDER[k].name for k in (0, 1, 7, 11, 13)] == [
        "BPSK 1/2",
        "QPSK 1/2",
        "64-QAM 5/6",
        "1024-QAM 5/6",
        "4096-QAM 5/6",
    ]


def test_ht_counts_streams_in_its_index() -> None:
    """HT MCS 15 is step 7 on two streams (IEEE 802.11-2020 19.5), and there is no step 8."""
    assert ht(7, streams=2).mcs == 15
    assert Mode(Phy.HT, 15, 2).step == 7
    with pytest.raises(OutOfRange, match="0 to 7"):
        ht(8)


def test_dsss_has_no_symbols() -> None:
    """Data bits a symbol are a property of OFDM."""
    with pytest.raises(OutOfRange, match="OFDM"):
        data_bits(dsss(1))
