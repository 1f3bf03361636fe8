from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.airtime import Category, Channel, access, exchange
from netaudit.capacity.contention import (
    Backoff,
    Sender,
    attempt_rate,
    backoff,
    carried_share,
    fixed_point,
    saturate,
    sender,
)
from netaudit.capacity.rates import Band, ofdm
from netaudit.errors import OutOfRange

RULES = st.builds(
    Backoff,
    window=st.sampled_from([4, 8, 16, 32, 128]),
    stages=st.integers(0, 6),
    late_slots=st.sampled_from([0.0, 5.0]),
    freezes=st.booleans(),
)
PLAIN = Backoff(32, 3)


@given(RULES, st.floats(0, 0.98), st.floats(0, 0.01))
def test_failing_more_often_never_makes_a_station_livelier(rule: Backoff, p: float, more: float) -> None:
    """The attempt rate falls when the chance to fail rises, or stays where there is nothing to double."""
    assert attempt_rate(p + more, rule) <= attempt_rate(p, rule) + 1e-12


def test_half_is_an_ordinary_point() -> None:
    """At p = 1/2, where the closed form divides by zero, the sum form gives its limit (Bianchi 2000 eq. 7: 2/(1+W+pWm))."""
    assert attempt_rate(0.5, PLAIN) == pytest.approx(2 / (1 + 32 + 0.5 * 32 * 3))


@given(RULES, st.floats(1, 200))
def test_the_fixed_point_solves_both_equations(rule: Backoff, stations: float) -> None:
    """Bianchi 2000 eq. (7) and (9) hold together at what is returned."""
    tau, p = fixed_point(stations, rule)
    assert tau == pytest.approx(attempt_rate(p, rule), abs=1e-12)
    assert p == pytest.approx(1 - (1 - tau) ** (stations - 1), abs=1e-9)


@given(RULES, st.floats(1, 100), st.floats(0, 50))
def test_more_stations_collide_more(rule: Backoff, stations: float, more: float) -> None:
    """The chance of a collision never falls with the number of stations."""
    assert fixed_point(stations, rule)[1] <= fixed_point(stations + more, rule)[1] + 1e-12


def test_one_station_never_collides() -> None:
    """Alone it waits half its window on average: tau = 2 / (W + 1)."""
    tau, p = fixed_point(1, PLAIN)
    assert tau == pytest.approx(2 / 33)
    assert p == 0.0


@pytest.mark.parametrize("stations", [0, 0.5, -1])
def test_fewer_than_one_station_is_refused(stations: float) -> None:
    """There is no contention without anybody."""
    with pytest.raises(OutOfRange, match="one station"):
        fixed_point(stations, PLAIN)
    with pytest.raises(OutOfRange, match="one station"):
        saturate([Sender(stations, PLAIN, 100, 100, 1)], 9)


@pytest.mark.parametrize(("window", "stages", "late"), [(2, 3, 0.0), (16, -1, 0.0), (16, 3, -1.0)])
def test_windows_that_make_no_sense_are_refused(window: int, stages: int, late: float) -> None:
    """Below four slots the fixed point need not be unique; negative doublings and delays don't exist."""
    with pytest.raises(OutOfRange, match="window"):
        Backoff(window, stages, late)


# IEEE 802.11-2020 Table 9-155: CWmin 15, 31, 3 and CWmax 1023, 1023, 7.
def test_windows_double_up_to_cw_max() -> None:
    """15..1023 doubles six times, 31..1023 five times, voice once; only DCF freezes."""
    gaps = Channel(Band.GHZ_5).spacing
    best, slow = backoff(access(Category.BEST_EFFORT), gaps), backoff(access(Category.DCF, dsss_only=True), gaps)
    voice = backoff(access(Category.VOICE), gaps)
    assert [(one.window, one.stages, one.freezes) for one in (best, slow, voice)] == [
        (16, 6, False),
        (32, 5, True),
        (4, 1, False),
    ]
    assert best.late_slots == (16 + 9 + 20) / 9


@given(st.lists(st.tuples(st.floats(1, 30), RULES, st.floats(50, 5000)), min_size=1, max_size=4))
def test_time_adds_up(groups: list[tuple[float, Backoff, float]]) -> None:
    """Successes, collisions and idle slots fill the second: no more than the whole of it is ever shared out."""
    senders = [Sender(count, rule, 1.2 * time, time, 8000) for count, rule, time in groups]
    solved = saturate(senders, 9)
    taken = sum(rate * one.success_us for rate, one in zip(solved.successes_per_s, senders, strict=True))
    taken += sum(rate * one.collision_us for rate, one in zip(solved.collisions_per_s, senders, strict=True))
    assert 0 < taken <= 1e6 * (1 + 1e-9)
    assert all(0 <= p < 1 for p in solved.collision)


@given(st.floats(1, 20), st.floats(1, 20), RULES, st.floats(50, 5000))
def test_splitting_a_group_changes_nothing(some: float, others: float, rule: Backoff, time_us: float) -> None:
    """Two groups that are alike get together what one group of all of them gets."""
    whole = saturate([Sender(some + others, rule, 1.2 * time_us, time_us, 8000)], 9)
    parts = saturate([Sender(n, rule, 1.2 * time_us, time_us, 8000) for n in (some, others)], 9)
    assert sum(parts.goodput_bps) == pytest.approx(sum(whole.goodput_bps), rel=1e-9)
    assert sum(parts.collisions_per_s) == pytest.approx(sum(whole.collisions_per_s), rel=1e-6, abs=1e-9)


def test_unequal_rules_agree_with_equal_ones_where_they_meet() -> None:
    """The solver for unlike stations and the one for like stations give one answer when the rules hardly differ."""
    like = [Sender(5, Backoff(16, 6), 400, 300, 8000), Sender(5, Backoff(16, 6), 400, 300, 8000)]
    unlike = [like[0], Sender(5, Backoff(16, 6, late_slots=1e-9), 400, 300, 8000)]
    assert saturate(unlike, 9).goodput_bps == pytest.approx(saturate(like, 9).goodput_bps, rel=1e-6)


def test_a_smaller_window_gets_more() -> None:
    """Voice (CWmin 3) wins more turns than background data (CWmin 15) on the same channel."""
    quick, slow = Sender(2, Backoff(4, 1), 400, 300, 8000), Sender(2, Backoff(16, 6), 400, 300, 8000)
    quick_bps, slow_bps = saturate([quick, slow], 9).goodput_bps
    assert quick_bps > 3 * slow_bps


def test_one_slow_station_costs_everyone() -> None:
    """Stations with equal rules win equally often, so one at 6 Mb/s takes most of the time from nine at 54 Mb/s."""
    channel, rules = Channel(Band.GHZ_5), access(Category.BEST_EFFORT)
    rule = backoff(rules, channel.spacing)
    wait_us = channel.spacing.aifs_us(rules.aifs_slots)
    fast = sender(9, rule, exchange(ofdm(54), 1536, channel), wait_us, 12_000)
    slow = sender(1, rule, exchange(ofdm(6), 1536, channel), wait_us, 12_000)
    ten = sender(10, rule, exchange(ofdm(54), 1536, channel), wait_us, 12_000)
    mixed = saturate([fast, slow], 9).goodput_bps
    assert mixed[0] == pytest.approx(9 * mixed[1])
    assert sum(mixed) < 0.65 * sum(saturate([ten], 9).goodput_bps)


@given(st.floats(1, 100), st.floats(50, 5000), st.floats(1, 500))
def test_longer_turns_carry_more(stations: float, time_us: float, more_us: float) -> None:
    """Each access has its price, so the share that exchanges can fill rises with their length, and stays below 1."""
    rule = Backoff(16, 6)

    def share(busy_us: float) -> float:
        return carried_share([Sender(stations, rule, busy_us + 43, busy_us + 43, 0)], 9, [busy_us])

    assert share(time_us) <= share(time_us + more_us) + 1e-12 < 1
