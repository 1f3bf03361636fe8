"""Roll-ups against numpy, and against the samples that they were made from."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.observe.observation import How, Naming, Sample, Sighting
from netaudit.store.retain import Keep
from netaudit.store.rollup import describe
from netaudit.store.store import Store

if TYPE_CHECKING:
    from tests.clock import Clock

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


@given(st.lists(st.one_of(st.none(), st.integers(0, 10**9)), min_size=1, max_size=200))
def test_percentiles_are_numpys_nearest_rank(values: list[int | None]) -> None:
    """numpy.percentile(method="inverted_cdf") is the nearest rank (Hyndman and Fan 1996, definition 1)."""
    got = describe(values)
    answered = [value for value in values if value is not None]
    assert (got["asked"], got["lost"]) == (len(values), len(values) - len(answered))
    if not answered:
        assert (got["low"], got["mean"], got["p50"], got["p95"], got["high"]) == (None,) * 5
        return
    assert (got["low"], got["high"]) == (min(answered), max(answered))
    assert got["mean"] == pytest.approx(np.mean(answered), abs=0.5000001)
    assert got["p50"] == np.percentile(answered, 50, method="inverted_cdf")
    assert got["p95"] == np.percentile(answered, 95, method="inverted_cdf")


def write_days(store: Store, clock: Clock, days: float, seed: int = 1) -> dict[str, list[tuple[float, float | None]]]:
    """Write a sample every ten minutes for three devices; give what was written, by place."""
    dice = random.Random(seed)
    written: dict[str, list[tuple[float, float | None]]] = {}
    for _ in range(int(days * 144)):
        at = clock.forward(minutes=10)
        for place in ("device:a", "device:b", "device:c"):
            value = None if dice.random() < 0.1 else round(dice.uniform(0.0005, 0.05), 6)
            written.setdefault(place, []).append((at.timestamp(), value))
            store.write([Sample(at, place, "rtt_s", value)])
        store.flush(at)
    return written


def test_hours_and_days_say_what_the_samples_say(store: Store, clock: Clock) -> None:
    """For each series and each whole hour and day: counts exact, extremes exact, mean within its rounding."""
    began = clock.now
    written = write_days(store, clock, 2.6)
    store.rollup(clock.now)
    for step_s, read in ((3600, store.hours), (86_400, store.days)):
        last_whole = int((clock.now.timestamp() - 180) // step_s)
        for place, samples in written.items():
            rolled = read(place, "rtt_s", began - DAY, clock.now)
            groups: dict[int, list[float | None]] = {}
            for at, value in samples:
                if at // step_s < last_whole:
                    groups.setdefault(int(at // step_s), []).append(value)
            assert [int(one.at.timestamp()) // step_s for one in rolled] == sorted(groups)
            for one in rolled:
                group = groups[int(one.at.timestamp()) // step_s]
                answered = [value for value in group if value is not None]
                assert (one.asked, one.lost) == (len(group), len(group) - len(answered))
                assert (one.low, one.high) == (min(answered), max(answered))
                assert one.mean == pytest.approx(np.mean(answered), abs=0.6e-6)
                assert one.p95 == np.percentile(answered, 95, method="inverted_cdf")


def test_rolling_up_again_changes_nothing_and_a_late_sample_is_taken_in(store: Store, clock: Clock) -> None:
    """A second call has nothing to do; a sample that comes hours late is in its hour and its day afterwards."""
    began = clock.now
    write_days(store, clock, 2)
    assert store.rollup(clock.now) > 0
    assert store.rollup(clock.now) == 0
    before = store.hours("device:a", "rtt_s", began, clock.now)
    late = began + 5 * HOUR + timedelta(minutes=35)
    store.write([Sample(late, "device:a", "rtt_s", 9.0)])
    store.flush(clock.now)
    assert store.rollup(clock.now) > 0
    after = store.hours("device:a", "rtt_s", began, clock.now)
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(changed) == 1
    ((old, new),) = changed
    assert (new.at, new.asked, new.high) == (began + 5 * HOUR, old.asked + 1, 9.0)
    assert max(one.high or 0 for one in store.days("device:a", "rtt_s", began - DAY, clock.now)) == 9.0


def test_a_silent_year_costs_no_time(store: Store, clock: Clock) -> None:
    """Hours without a sample are stepped over, not written one by one."""
    write_days(store, clock, 0.5)
    store.rollup(clock.now)
    clock.forward(days=400)
    write_days(store, clock, 0.5)
    assert store.rollup(clock.now) < 3 * 20
    assert store.rollup(clock.now) == 0


def test_summaries_are_the_hours_taken_together(store: Store, clock: Clock) -> None:
    """Asked, lost, extremes and weighted mean of a span equal those of its samples; its weeks add up to it."""
    clock.now = clock.now.replace(hour=0)
    began = clock.now
    written = write_days(store, clock, 3)
    clock.forward(hours=1)
    store.rollup(clock.now)
    until = began + 3 * DAY
    for step in ("hourly", "daily"):
        for one in store.summaries("rtt_s", began, until, step):
            inside = [value for at, value in written[one.place] if began.timestamp() <= at < until.timestamp()]
            answered = [value for value in inside if value is not None]
            assert (one.asked, one.lost) == (len(inside), len(inside) - len(answered))
            assert (one.low, one.high) == (min(answered), max(answered))
            assert one.mean == pytest.approx(np.mean(answered), abs=1e-6)
    assert store.weeks("rtt_s", began, until) == {began: store.summaries("rtt_s", began, until, "daily")}
    assert [one.place for one in store.summaries("rtt_s", began, until)] == ["device:a", "device:b", "device:c"]
    assert store.summaries("stations", began, until) == []


def test_weeks_begin_seven_days_apart(store: Store, clock: Clock) -> None:
    """Three weeks of days fall into three weeks, each with its own samples."""
    clock.now = clock.now.replace(hour=0) - timedelta(minutes=10)
    began = clock.now + timedelta(minutes=10)
    for day in range(21):
        for _ in range(144):
            store.write([Sample(clock.forward(minutes=10), "device:a", "rtt_s", 0.001 * (1 + day // 7))])
        store.flush(clock.now)
    store.rollup(clock.forward(hours=1))
    weeks = store.weeks("rtt_s", began, began + 21 * DAY)
    assert [(at, one.mean, one.asked) for at, (one,) in weeks.items()] == [
        (began + 7 * week * DAY, 0.001 * (week + 1), 1008) for week in range(3)
    ]


def test_samples_go_only_when_they_are_rolled_up(store: Store, clock: Clock) -> None:
    """Pruning before a roll-up removes no sample; afterwards it removes those too old, and their hours stay."""
    began = clock.now
    written = write_days(store, clock, 12)
    assert "samples" not in store.prune(clock.now)
    store.rollup(clock.now)
    removed = store.prune(clock.now)
    kept_from = clock.now - timedelta(days=store.keep.raw)
    too_old = [at for samples in written.values() for at, _ in samples if at < kept_from.timestamp()]
    assert removed == {"samples": len(too_old)}
    left = store.series("device:a", "rtt_s", began - DAY, clock.now + HOUR)
    assert left[0].at >= kept_from
    hours = store.hours("device:a", "rtt_s", began, clock.now)
    assert sum(one.asked for one in hours) == sum(
        at < (clock.now.timestamp() - 180) // 3600 * 3600 for at, _ in written["device:a"]
    )
    assert store.prune(clock.now) == {}


def test_a_late_sample_never_spoils_the_roll_up_of_a_pruned_day(store: Store, clock: Clock) -> None:
    """Whatever is let in late, the day it falls on is still there whole: no day's count ever goes down."""
    began = clock.now
    write_days(store, clock, 12)
    store.rollup(clock.now)
    store.prune(clock.now)
    before = {one.at: one.asked for one in store.days("device:a", "rtt_s", began - DAY, clock.now)}
    for days in range(1, 12):
        store.write([Sample(clock.now - timedelta(days=days, seconds=77), "device:a", "rtt_s", 0.001)])
    store.flush(clock.now)
    assert store.counters.too_old == 5  # kept raw for 8 days, let in for 7: those 7 to 11 days old are not
    store.rollup(clock.now)
    after = {one.at: one.asked for one in store.days("device:a", "rtt_s", began - DAY, clock.now)}
    assert all(after[at] >= asked for at, asked in before.items())
    assert sum(after.values()) == sum(before.values()) + 6


@pytest.mark.parametrize("field", ["hourly", "daily", "raw"])
def test_each_retention_is_its_own(address: str, clock: Clock, field: str) -> None:
    """A shorter life of one kind of row touches that kind only."""
    keep = {"hourly": Keep(hourly=3), "daily": Keep(daily=3), "raw": Keep(raw=3)}[field]
    with Store.open(address, site="home", clock=clock, keep=keep) as store:
        write_days(store, clock, 6)
        store.rollup(clock.now)
        assert set(store.prune(clock.now)) == {{"raw": "samples"}.get(field, field)}


def test_a_device_of_which_nothing_is_known_any_more_goes(address: str, clock: Clock) -> None:
    """Names, addresses and intervals go after their time, and then the device; one seen since stays."""
    began = clock.now
    gone, stays = "00:00:5e:00:53:01", "00:00:5e:00:53:02"
    with Store.open(address, site="home", clock=clock, keep=Keep(names=20, addresses=20, presence=40)) as store:
        for mac in (gone, stays):
            store.write([Sighting(began, "lan", mac, "192.168.7.9", How.ARP), Naming(began, mac, "tv", How.MDNS)])
        store.flush(began)
        store.write([Sighting(clock.forward(days=21), "lan", stays, None, How.ARP)])
        store.flush(clock.now)
        assert set(store.prune(clock.now)) == {"names", "addresses"}
        assert [device.mac for device in store.devices(clock.now)] == [gone, stays]
        assert set(store.prune(clock.forward(days=20))) - {"parts"} == {"presence", "devices"}
        assert [(device.mac, device.names) for device in store.devices(clock.now)] == [(stays, ())]
