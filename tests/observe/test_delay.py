"""What a series of round trips says, against the standards' formulas, worked examples and independent libraries."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from netaudit.errors import OutOfRange
from netaudit.observe.delay import (
    inter_packet_variation_s,
    jitter_s,
    loss_at_most,
    nearest_rank,
    packet_delay_variation_s,
    summary,
)

TABLE = Path(__file__).resolve().parents[1] / "reference" / "wired" / "delay.csv"
with TABLE.open(encoding="utf-8", newline="") as _file:
    ROWS = {(row["item"], row["quantity"]): row["value"] for row in csv.DictReader(_file)}
TRIPS = st.lists(st.floats(min_value=1e-6, max_value=10.0), min_size=1, max_size=200)


def _ms(item: str, quantity: str) -> list[float | None]:
    return [None if word == "-" else float(word) / 1000 for word in ROWS[item, quantity].split()]


# RFC 3550, 6.4.1; the table says after how many of the differences J has each value
@pytest.mark.parametrize("packet", [1, 2, 4, 5])
def test_jitter_is_that_of_the_worked_sequence(packet: int) -> None:
    """The formula by hand, in the reference table, to the digits that are printed there."""
    transits = [value for value in _ms("sequence A", "transit times") if value is not None]
    expected = float(ROWS["sequence A", f"J after packet {packet}"])
    assert jitter_s(transits[: packet + 1]) * 1000 == pytest.approx(expected, abs=5.1e-7)


def test_jitter_follows_the_integer_code_of_the_standard() -> None:
    """RFC 3550, A.8 keeps J sixteen times scaled in integers: J += |D| - ((J + 8) >> 4); ours differs by rounding only."""
    # 8 kHz clock: 8 units a millisecond. The scaled value is rounded by at most half a unit of 1/16 each step.
    transits = [value for value in _ms("sequence A", "transit times") if value is not None]
    scaled = 0
    for before, after in pairwise(transits):
        scaled += abs(round(after * 8000) - round(before * 8000)) - ((scaled + 8) >> 4)
    assert jitter_s(transits) * 8000 == pytest.approx(scaled / 16, abs=0.5)


def test_percentiles_are_those_of_the_definition() -> None:
    """RFC 2330, 11.3: its sample and another one, by nearest rank."""
    sample = [float(word) for word in ROWS["RFC 2330 sample", "sample"].split()]
    assert nearest_rank(sample, 50) == float(ROWS["RFC 2330 sample", "p50"])
    assert nearest_rank(sample, 100) == float(ROWS["RFC 2330 sample", "p100"])
    other = [float(word) for word in ROWS["sample B", "values"].split()]
    for percent in (50, 90, 99):
        assert nearest_rank(other, percent) == float(ROWS["sample B", f"p{percent} nearest rank"])


@given(TRIPS, st.integers(min_value=1, max_value=100))
def test_percentiles_agree_with_an_independent_library(values: list[float], percent: int) -> None:
    """The inverted_cdf of numpy is the same definition, written by others."""
    # 1/100 steps are exact in the integer product percent * n; numpy rounds n * (percent / 100) and may be one rank off
    # where that product is whole, so those are compared with the definition itself.
    mine = nearest_rank(values, percent)
    if percent * len(values) % 100:
        assert mine == np.percentile(values, percent, method="inverted_cdf")
    assert sum(1 for value in values if value <= mine) * 100 >= percent * len(values)
    assert sum(1 for value in values if value < mine) * 100 < percent * len(values)


def test_a_worked_ping_is_summed_up_right() -> None:
    """Ten probes, three lost: loss, extremes and variation as worked out in the table."""
    trips = _ms("sequence C", "RTTs")
    result = summary(trips)
    assert (result.sent, result.lost) == (10, 3)
    assert result.loss_share == float(ROWS["sequence C", "loss ratio"])
    least, mean, most = (float(word) / 1000 for word in ROWS["sequence C", "min/mean/max"].split("/"))
    assert (result.least_s, result.most_s) == (least, most)
    answered = [trip for trip in trips if trip is not None]
    assert sum(answered) / len(answered) == pytest.approx(mean, abs=5e-10)
    expected = [float(word) for word in ROWS["sequence C", "IPDV values"].split()]
    assert [value * 1000 for value in inter_packet_variation_s(trips)] == pytest.approx(expected)
    assert max(packet_delay_variation_s(answered)) * 1000 == pytest.approx(float(ROWS["sequence C", "max PDV"]))


@pytest.mark.parametrize("sent", [100, 1000])
def test_no_loss_seen_still_allows_some(sent: int) -> None:
    """None lost of n allows 1 - 0.05 ** (1 / n), as the table has it."""
    expected = float(ROWS[f"0 lost of {sent}", "95 % upper bound"])
    assert loss_at_most(0, sent) == pytest.approx(expected, abs=5.1e-7)


@given(st.integers(min_value=1, max_value=3000), st.data())
def test_the_loss_bound_is_the_exact_one(sent: int, data: st.DataObject) -> None:
    """The one-sided exact interval of scipy gives the same bound; and at that loss such a good result has a chance of 5 %."""
    lost = data.draw(st.integers(min_value=0, max_value=sent))
    bound = loss_at_most(lost, sent)
    exact = binomtest(lost, sent, alternative="less").proportion_ci(0.95, method="exact").high
    assert bound == pytest.approx(exact, abs=1e-9)
    if lost < sent:
        assert binom.cdf(lost, sent, bound) == pytest.approx(0.05, abs=1e-6)


@given(TRIPS)
def test_laws_that_hold_for_every_series(values: list[float]) -> None:
    """Percentiles rise, variation is not negative and starts at 0, steady delay has no jitter, jitter stays in bounds."""
    result = summary(values)
    assert result.least_s is not None
    ordered = [result.least_s, result.median_s, result.p95_s, result.p99_s, result.most_s]
    assert ordered == sorted(value for value in ordered if value is not None)
    assert min(packet_delay_variation_s(values)) == 0
    assert jitter_s([values[0]] * 20) == 0
    assert 0 <= jitter_s(values) <= (max(values) - min(values))
    assert summary([*values, None]).lost == 1
    assert summary([*values, None]).median_s == result.median_s


def test_nothing_answered_has_no_times() -> None:
    """All lost: the loss is whole and every time is absent, not 0."""
    result = summary([None, None])
    assert (result.loss_share, result.loss_at_most) == (1.0, 1.0)
    assert {result.least_s, result.median_s, result.p99_s, result.most_s, result.jitter_s, result.pdv_p99_s} == {None}


def test_nonsense_is_refused() -> None:
    """No probes, no values, percentiles and counts that can't be."""
    for wrong in (
        lambda: summary([]),
        lambda: nearest_rank([], 50),
        lambda: nearest_rank([1.0], 0),
        lambda: nearest_rank([1.0], 101),
        lambda: loss_at_most(2, 1),
        lambda: loss_at_most(0, 0),
        lambda: loss_at_most(0, 1, confidence=1.0),
    ):
        with pytest.raises(OutOfRange):
            wrong()
