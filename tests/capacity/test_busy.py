from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.airtime import Category, Channel, access, exchange, mpdu_bytes
from netaudit.capacity.busy import (
    BEACON_PERIOD_S,
    GATHER_S,
    beacon_share,
    contenders,
    group_share,
    repeated_share,
    request_share,
    response_share,
    unicast,
)
from netaudit.capacity.contention import backoff
from netaudit.capacity.rates import Band, Mode, Phy, dsss, ht, ofdm

G2, G5 = Channel(Band.GHZ_2_4), Channel(Band.GHZ_5)
RULE = backoff(access(Category.BEST_EFFORT), G2.spacing)
MODES = st.sampled_from([dsss(1), dsss(11), ofdm(6), ofdm(54), ht(0), ht(7), ht(7, streams=2), Mode(Phy.HE, 9, 2)])


def test_a_beacon_at_1_mbps_takes_2_5_percent() -> None:
    """300 octets at 1 Mb/s last 2,592 us of each 102.4 ms; 430 us at 6 Mb/s in 2.4 GHz; each name has its own."""
    assert beacon_share(1, G2) == pytest.approx(2592 / 102_400)
    assert beacon_share(3, Channel(Band.GHZ_2_4, basic_mbps=(6.0,))) == pytest.approx(3 * 430 / 102_400)
    assert beacon_share(0, G2) == 0
    # IEEE 802.11-2020 9.4.1.3: in time units of 1024 us, 100 of them by default
    assert round(BEACON_PERIOD_S * 1e6) == 100 * 1024


def test_one_frame_a_second_takes_its_exchange() -> None:
    """A frame now and then is sent alone: the share is its exchange, and a tenth more when a tenth is lost."""
    alone = unicast(1, 100, ht(7), G2)
    assert alone.share == pytest.approx(exchange(ht(7), mpdu_bytes(100), G2).busy_us / 1e6)
    assert alone.turns_per_s == 1
    assert unicast(1, 100, ht(7), G2, frames_lost=0.1).share == pytest.approx(alone.share / 0.9)
    assert unicast(0, 100, ht(7), G2) == (0.0, 0.0)


def test_many_frames_share_turns() -> None:
    """A thousand frames a second go in turns of ten, which takes far less than a thousand exchanges."""
    load = unicast(1000, 1500, ht(7), G2)
    assert load.turns_per_s == pytest.approx(1 / GATHER_S)
    assert load.share == pytest.approx(100 * exchange(ht(7), mpdu_bytes(1500), G2, frames=10).busy_us / 1e6)
    one_by_one = 1000 * exchange(ht(7), mpdu_bytes(1500), G2).busy_us / 1e6
    assert load.share < 0.85 * one_by_one
    assert unicast(1000, 1500, ofdm(54), G5).turns_per_s == 1000  # 802.11a can't


@given(MODES, st.floats(0.01, 3000), st.floats(1, 3), st.floats(30, 2200), st.floats(0, 500))
def test_more_traffic_never_takes_less(mode: Mode, rate: float, factor: float, size: float, more: float) -> None:
    """Busy share never falls with frames a second nor with bytes a frame."""
    base = unicast(rate, size, mode, G2).share
    assert unicast(rate * factor, size, mode, G2).share >= base * (1 - 1e-9)
    assert unicast(rate, size + more, mode, G2).share >= base * (1 - 1e-9)


@given(
    rate=st.floats(0.01, 3000),
    size=st.floats(30, 4000),
    step=st.integers(0, 6),
    streams=st.integers(1, 3),
    wide=st.booleans(),
)
def test_a_faster_step_never_needs_more(rate: float, size: float, step: int, streams: int, *, wide: bool) -> None:
    """The next step of the ladder takes no more airtime for the same traffic, answers included."""
    width, txop_us = (40, 2528.0) if wide else (20, 0.0)
    slow = unicast(rate, size, ht(step, streams=streams, width_mhz=width), G2, txop_us=txop_us).share
    fast = unicast(rate, size, ht(step + 1, streams=streams, width_mhz=width), G2, txop_us=txop_us).share
    assert fast <= slow * (1 + 1e-9)


def test_large_packets_are_cut() -> None:
    """A packet beyond one frame (IEEE 802.11-2020 Table 9-25) goes in pieces: 4,592 bytes are two frames of 2,296."""
    assert unicast(1, 4592, ht(7), G2) == unicast(2, 2296, ht(7), G2)


def test_broadcasts_cost_by_the_lowest_rate() -> None:
    """One a second of 200 bytes at 1 Mb/s: 192 us and 8 us for each of 256 octets."""
    assert group_share(1, G2) == pytest.approx((192 + 8 * mpdu_bytes(200)) / 1e6)
    assert group_share(10, G5) < 0.2 * group_share(10, G2)


def test_looking_around_grows_with_stations_and_names() -> None:
    """Requests grow with stations, answers with stations times names: devices times access points."""
    assert request_share(20, G2) == pytest.approx(20 * request_share(1, G2))
    assert response_share(20, 3, G2) == pytest.approx(60 * response_share(1, 1, G2))


def test_small_loads_are_small_contenders() -> None:
    """Three stations of 10 % and a hundred of 0.01 % count as about three."""
    loads = [(3, 0.1), (100, 0.0001)]
    total = sum(count * load for count, load in loads)
    squares = sum(count * load**2 for count, load in loads)
    assert contenders(total, squares) == pytest.approx(3.2, abs=0.05)
    assert contenders(5 * 0.1, 5 * 0.1**2) == pytest.approx(5)
    assert contenders(0, 0) == 1


@given(st.floats(0, 3), st.floats(0, 0.5), st.floats(0, 3000), st.floats(0, 500), st.floats(1, 300))
def test_collisions_rise_with_the_load(load: float, more: float, turns: float, extra: float, stations: float) -> None:
    """Repeats are none on an idle channel, never fall with load, turns or stations, and stay below a third of the load."""
    base = repeated_share(load, turns, 37, stations, RULE)
    assert 0 <= base <= load / 3
    assert repeated_share(load + more, turns + extra, 37, stations + extra, RULE) >= base
    assert repeated_share(load, turns, 37, 1, RULE) == 0
