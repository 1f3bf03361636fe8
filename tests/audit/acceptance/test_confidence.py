"""When a figure proves a promise: exact bounds, and how many more measurements would settle it."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from netaudit.audit.acceptance.confidence import (
    BATCHES,
    STUDENT_T,
    Stand,
    fewest_without,
    mean_claim,
    percentile_claim,
    share_claim,
)
from netaudit.errors import OutOfRange
from netaudit.observe.delay import loss_at_least, loss_at_most

COUNTS = st.integers(1, 400).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials)))


@given(COUNTS)
def test_bounds_are_those_of_an_independent_library(counts: tuple[int, int]) -> None:
    """Both one-sided bounds agree with scipy's exact interval, which puts 5 % on each side at 90 %."""
    hits, trials = counts
    exact = stats.binomtest(hits, trials).proportion_ci(confidence_level=0.90, method="exact")
    assert loss_at_least(hits, trials) == pytest.approx(exact.low, abs=1e-9)
    assert loss_at_most(hits, trials) == pytest.approx(exact.high, abs=1e-9)


# J. A. Hanley and A. Lippman-Hand, JAMA 249 (1983), 1743-1745: no hit in n shows at most 3 / n, with 95 % confidence.
@pytest.mark.parametrize("trials", [30, 100, 300, 1000, 3000])
def test_no_hit_shows_three_over_n(trials: int) -> None:
    """The rule of three is the exact bound to within 5 % from thirty trials on, and never below it."""
    high = share_claim(0, trials, 0.5).high
    assert high is not None
    assert high <= 3 / trials
    assert high == pytest.approx(3 / trials, rel=0.05)


# The fewest of which none may fail, 95 % confidence: 59 for 5 %, 299 for 1 % (the success-run theorem; ISO 16269-6 tables).
@pytest.mark.parametrize(("limit", "fewest"), [(0.05, 59), (0.01, 299), (0.1, 29), (0.02, 149)])
def test_fewest_trials_without_a_hit(limit: float, fewest: int) -> None:
    """One trial fewer leaves the claim open and says that one more is missing; that many keep it."""
    assert fewest_without(limit) == fewest
    assert share_claim(0, fewest, limit).stand is Stand.KEPT
    short = share_claim(0, fewest - 1, limit)
    assert (short.stand, short.more) == (Stand.OPEN, 1)


# Wilks 1941, as tabulated since for 95 % of 95 %: 59 values bound it by the greatest, 93 by the second, 124 by the third.
@pytest.mark.parametrize(("count", "from_top"), [(59, 1), (93, 2), (124, 3)])
def test_upper_bound_of_a_percentile_is_the_tabulated_rank(count: int, from_top: int) -> None:
    """The 95 % bound of the 95th percentile is the first, second, third greatest value; with one value fewer it is not."""
    values = [float(index) for index in range(1, count + 1)]
    assert percentile_claim(values, 95, 1e9).high == count + 1 - from_top
    fewer = percentile_claim(values[:-1], 95, 1e9).high
    assert fewer is None if from_top == 1 else fewer == count - from_top + 1


@given(st.lists(st.floats(0, 10), min_size=1, max_size=200), st.sampled_from([5, 50, 95]))
def test_the_estimate_of_a_percentile_is_the_nearest_rank(values: list[float], percent: int) -> None:
    """The inverted_cdf of numpy is the same definition, written by others."""
    assert percentile_claim(values, percent, 5.0).value == np.percentile(values, percent, method="inverted_cdf")


def test_a_percentile_is_claimed_with_the_confidence_it_says() -> None:
    """Of 500 series drawn from a law whose 95th percentile is known, at most 5 % (and chance) have a wrong bound."""
    dice = random.Random(7)
    true_p95 = stats.expon.ppf(0.95)
    wrong_high = wrong_low = 0
    for _ in range(500):
        claim = percentile_claim([dice.expovariate(1.0) for _ in range(120)], 95, true_p95)
        assert claim.high is not None
        assert claim.low is not None
        wrong_high += claim.high < true_p95
        wrong_low += claim.low > true_p95
    # 500 draws at 5 %: more than 44 about once in 10,000 (scipy.stats.binom.sf(44, 500, 0.05) = 1.3e-4)
    assert wrong_high <= 44
    assert wrong_low <= 44


def test_too_few_values_settle_nothing() -> None:
    """Fifty quick answers neither keep nor break a 95th percentile: nine more are needed."""
    claim = percentile_claim([0.001] * 50, 95, 0.02)
    assert (claim.stand, claim.more, claim.high) == (Stand.OPEN, 9, None)


def test_more_is_what_it_takes() -> None:
    """Going on at the same share for as many more settles the claim, and its answer is the side it leans to."""
    for hits, trials, limit, leans in ((1, 200, 0.01, Stand.KEPT), (3, 200, 0.01, Stand.BROKEN)):
        claim = share_claim(hits, trials, limit)
        assert claim.stand is Stand.OPEN
        assert claim.more is not None
        total = trials + claim.more
        assert share_claim(round(hits / trials * total), total, limit).stand is leans


def test_who_stands_at_the_limit_is_never_settled() -> None:
    """Two lost of two hundred against one in a hundred: no number of further echoes is promised."""
    claim = share_claim(2, 200, 0.01)
    assert (claim.stand, claim.more) == (Stand.OPEN, None)


@given(COUNTS, st.floats(0.001, 0.999))
def test_a_stand_and_its_bounds_agree(counts: tuple[int, int], limit: float) -> None:
    """A claim is kept when its upper bound is under the limit and broken when its lower bound is over it."""
    claim = share_claim(*counts, limit)
    assert claim.high is not None
    assert claim.low is not None
    if abs(claim.high - limit) > 1e-9 and abs(claim.low - limit) > 1e-9:
        expected = Stand.KEPT if claim.high < limit else Stand.BROKEN if claim.low > limit else Stand.OPEN
        assert claim.stand is expected


def test_student_t_is_the_librarys() -> None:
    """The one constant of the mean's bounds is the 95 % quantile that scipy gives, to the digits a table prints."""
    assert pytest.approx(stats.t.ppf(0.95, BATCHES - 1), abs=5e-4) == STUDENT_T


def test_a_mean_is_claimed_with_about_its_confidence() -> None:
    """Of 1,000 series of a known mean, about one in twenty has a bound on the wrong side; too short a series has none."""
    dice = random.Random(11)
    wrong = 0
    for _ in range(1000):
        claim = mean_claim([dice.expovariate(1.0) for _ in range(400)], 1.0)
        assert claim is not None
        assert claim.high is not None
        wrong += claim.high < 1.0
    # The bounds are approximate for skewed values: 8 % at most here (nominal 5 %).
    assert 20 <= wrong <= 80
    assert mean_claim([1.0] * 99, 1.0) is None


def test_a_share_needs_a_trial() -> None:
    """No trials, or a limit that is no share, are refused."""
    with pytest.raises(OutOfRange):
        share_claim(0, 0, 0.1)
    with pytest.raises(OutOfRange):
        share_claim(1, 2, 1.5)
    with pytest.raises(OutOfRange):
        percentile_claim([], 95, 1.0)
