"""The polite rate, on a clock that the test turns."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.errors import OutOfRange
from netaudit.observe.pace import BURST_S, FASTEST_HZ, POLITE_HZ, SLOT_S, Pace


@given(st.floats(min_value=1.0, max_value=FASTEST_HZ), st.lists(st.floats(min_value=0.0, max_value=0.5), max_size=200))
def test_no_window_has_more_frames_than_rate_and_burst(rate_hz: float, pauses_s: list[float]) -> None:
    """Whenever the caller comes, frames in any window are at most rate x window + burst (the law of a token bucket)."""
    now_s = 0.0
    went_s: list[float] = []
    pace = Pace(rate_hz, now_s=now_s)
    for pause_s in pauses_s:
        now_s += pause_s
        while pace.take(now_s) == 0:
            went_s.append(now_s)
    burst = max(1.0, rate_hz * BURST_S)
    # For each last frame of a window the worst first one is where most of the rate was left unused; so one pass tries all.
    worst = 0.0
    for number, at_s in enumerate(went_s):
        ahead = number - rate_hz * at_s
        worst = min(worst, ahead) if number else ahead
        assert ahead - worst + 1 <= burst + 1e-6


@given(st.floats(min_value=0.01, max_value=FASTEST_HZ))
def test_who_waits_as_told_gets_the_whole_rate(rate_hz: float) -> None:
    """A caller that sleeps exactly what it was told sends at the rate, to within a slot."""
    now_s, count = 0.0, 0
    pace = Pace(rate_hz, now_s=now_s)
    while count < 100:
        wait_s = pace.take(now_s)
        now_s += wait_s
        count += wait_s == 0
    assert 99 / rate_hz - BURST_S - 1e-9 <= now_s <= 99 / rate_hz + SLOT_S + 1e-9


def test_the_polite_pace_is_even() -> None:
    """At 200 frames/s no two frames go together: slots are shorter than the 5 ms between them."""
    pace = Pace(POLITE_HZ, now_s=0.0)
    now_s = 0.0
    went_s: list[float] = []
    while len(went_s) < 50:
        wait_s = pace.take(now_s)
        now_s += wait_s
        went_s += [now_s] if wait_s == 0 else []
    assert [later - sooner for sooner, later in pairwise(went_s)] == pytest.approx([0.005] * 49, abs=1e-6)


def test_a_rest_earns_no_more_than_the_burst() -> None:
    """After an hour of silence the first burst is 20 ms worth of frames, here four."""
    pace = Pace(200.0, now_s=0.0)
    assert [pace.take(3600.0) == 0 for _ in range(5)] == [True, True, True, True, False]


@pytest.mark.parametrize("rate_hz", [0.0, -5.0, 1e-6, FASTEST_HZ * 1.01, float("inf"), float("nan")])
def test_impolite_and_impossible_rates_are_refused(rate_hz: float) -> None:
    """No rate beyond the bound, and none that never sends."""
    with pytest.raises(OutOfRange, match="pace"):
        Pace(rate_hz, now_s=0.0)
