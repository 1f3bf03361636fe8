from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.audit.call import FEWEST, rate_hour
from netaudit.capacity.voice import satisfaction


# ITU-T G.107: the default call without delay or loss has R = 93.2; below 100 ms mouth to ear the delay itself costs nothing.
def test_a_quiet_network_carries_the_best_call_there_is() -> None:
    """Round trips of a millisecond and nothing lost: R of 91 or more, which satisfies very much."""
    rating = rate_hour(asked=3600, lost=0, p50_s=0.001, p95_s=0.002)
    assert rating is not None
    assert 91 < rating.r <= 93.21
    assert satisfaction(rating.r) == "very satisfied"


# G.107 eq. 7-29 with G.113's Bpl of 25.1: 95 * 2 / (2 + 25.1) = 7.01.
def test_two_lost_of_a_hundred_cost_seven() -> None:
    """The price of loss is that of the codec, whatever the delay."""
    whole, lossy = (rate_hour(asked=3600, lost=lost, p50_s=0.02, p95_s=0.03) for lost in (0, 72))
    assert whole is not None
    assert lossy is not None
    assert whole.r - lossy.r == pytest.approx(7.01, abs=0.005)


@given(st.integers(0, 3600), st.floats(0, 1), st.floats(0, 1), st.integers(0, 100), st.floats(0, 0.5))
def test_no_more_loss_or_delay_makes_a_better_call(
    lost: int, p50_s: float, spread_s: float, more: int, slower_s: float
) -> None:
    """Losing more, answering later and answering less evenly each make it worse, or no better."""
    here = rate_hour(asked=3700, lost=lost, p50_s=p50_s, p95_s=p50_s + spread_s)
    assert here is not None
    for worse in (
        rate_hour(asked=3700, lost=lost + more, p50_s=p50_s, p95_s=p50_s + spread_s),
        rate_hour(asked=3700, lost=lost, p50_s=p50_s + slower_s, p95_s=p50_s + slower_s + spread_s),
        rate_hour(asked=3700, lost=lost, p50_s=p50_s, p95_s=p50_s + spread_s + slower_s),
    ):
        assert worse is not None
        assert worse.r <= here.r + 1e-6


@pytest.mark.parametrize(("asked", "p50_s"), [(FEWEST - 1, 0.001), (0, None), (FEWEST, None)])
def test_of_too_few_echoes_nothing_is_said(asked: int, p50_s: float | None) -> None:
    """Hardly asked, or never answered."""
    assert rate_hour(asked=asked, lost=0, p50_s=p50_s, p95_s=p50_s) is None
