"""Delivery: in order, once, whatever breaks; late with its age; never in quiet hours; what can wait together."""

from __future__ import annotations

import logging
import re
from collections import Counter
from contextlib import asynccontextmanager
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from netaudit.errors import StoreError
from netaudit.notify.channel import Channel, Variable
from netaudit.notify.quiet import Quiet
from tests.clock import Clock
from tests.notify.scene import ALL, ZONE, Killed, Way, channel, courier, open_store

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from netaudit.store.store import Store

MAIL = channel("mail")
DAY = timedelta(days=1)


def put(store: Store, clock: Clock, *names: str, lane: str = "mail") -> None:
    """Put letters in whose body is their name, as is that of their file."""
    for name in names:
        body = f"{name}\nWhat: {name}"
        store.put_letter(key=name, channel=lane, body=body, enclosure=f"{name}.pdf", at=clock.now)


def names(way: Way) -> list[str]:
    """Give the names of the letters that arrived, in order."""
    return [name for body in way.got for name in re.findall(r"^What: (.*)$", body, re.MULTILINE)]


async def test_what_waits_goes_in_order_and_once(store: Store, clock: Clock) -> None:
    """More than one page of the outbox; a second round has nothing to do."""
    way = Way()
    wanted = [f"n{number}" for number in range(120)]
    put(store, clock, *wanted)
    one = courier(store, [MAIL], clock, way.open)
    assert await one.deliver() == 120
    assert await one.deliver() == 0
    assert names(way) == wanted
    assert store.letters_waiting() == []


class Choking(Way):
    """A way out that ends at a file, as a child does for which the memory is too small; a new one is whole again."""

    ended = False

    async def send(self, title: str, body: str, enclosure: str = "") -> str:
        """Deliver words alone."""
        self.ended = self.ended or bool(enclosure)
        return "ended" if self.ended else await super().send(title, body)

    @asynccontextmanager
    async def open(self, address: str) -> AsyncIterator[Way]:
        """Begin anew."""
        self.ended = False
        async with super().open(address) as way:
            assert way is self
            yield self


async def test_a_file_that_breaks_the_way_holds_an_alarm_up_for_minutes(store: Store, clock: Clock) -> None:
    """At the fourth failure the words go alone and say so, and then what stands behind."""
    way = Choking()
    put(store, clock, "report")
    store.put_letter(key="alarm", channel="mail", body="alarm\nWhat: alarm", at=clock.now)
    one = courier(store, [MAIL], clock, way.open)
    began = clock.now
    while not way.got:
        await one.deliver()
        clock.forward(seconds=30)
    assert clock.now - began < timedelta(minutes=5)
    assert "\nNot attached: with the file it was not delivered" in way.got[0]
    await one.deliver()
    assert names(way) == ["report", "alarm"]
    assert store.letters_waiting() == []


async def test_an_outage_delays_and_changes_nothing_else(store: Store, clock: Clock) -> None:
    """Nothing overtakes the first one; the waits double up to an hour; afterwards all comes in order, with its age."""
    way = Way()
    way.now = clock
    way.broken = True
    one = courier(store, [MAIL], clock, way.open)
    put(store, clock, "a", "b")
    for minute in range(8 * 60):
        await one.deliver()
        if minute == 60:
            put(store, clock, "c")
        clock.forward(minutes=1)
    # From the tenth failure on, the second letter is tried right after the first.
    tried_at = list(dict.fromkeys(way.tried_at))
    waits = [(after - before).total_seconds() / 60 for before, after in pairwise(tried_at)]
    # Half a minute, one, two, four ... an hour, each rounded up to the minute in which it is asked.
    assert waits[:8] == [1, 1, 2, 4, 8, 16, 32, 60]
    assert set(waits[8:]) == {60}
    way.broken = False
    await one.deliver()
    assert way.got == []
    clock.forward(hours=1)
    assert await one.deliver() == 3
    assert names(way) == ["a", "b", "c"]
    ages = [age for body in way.got for age in re.findall(r", (.*) before it was sent", body)]
    assert ages == ["9 h 0 min", "9 h 0 min", "8 h 0 min"]


POINTS = [("before", 1), ("failed", 1), ("after", 2)]


@pytest.mark.parametrize(("point", "copies"), POINTS)
async def test_a_kill_loses_nothing_and_repeats_at_most_the_one_in_hand(
    tmp_path: Path, clock: Clock, point: str, copies: int
) -> None:
    """Killed before sending, after a refusal, after sending and before the mark: the last repeats, under the same name."""
    way = Way()
    way.broken = point == "failed"
    way.kill = point
    with open_store(tmp_path, clock) as store:
        put(store, clock, "a", "b", "c")
        with pytest.raises(Killed):
            await courier(store, [MAIL], clock, way.open).deliver()
    way.broken = False
    with open_store(tmp_path, clock) as store:
        await courier(store, [MAIL], clock, way.open).deliver()
        assert store.letters_waiting() == []
    assert names(way) == ["a"] * copies + ["b", "c"]
    marks = [body.splitlines()[-1] for body in way.got]
    assert len(set(marks)) == 3


async def test_a_full_disk_repeats_nothing(store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was sent and can't be marked is marked later and not sent again; nothing else goes meanwhile."""
    way = Way()
    put(store, clock, "a", "b")
    one = courier(store, [MAIL], clock, way.open)

    def full(*_: object) -> None:
        raise StoreError("site.db: the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(store, "letter_sent", full)
        for _ in range(3):
            with pytest.raises(StoreError, match="disk is full"):
                await one.deliver()
    assert names(way) == ["a"]
    assert await one.deliver() == 1
    assert names(way) == ["a", "b"]


async def test_one_broken_channel_delays_no_other(store: Store, clock: Clock) -> None:
    """Each has its own queue and its own waits; one without an address fails with the reason, and works once it has one."""
    way = Way()
    environ: dict[str, str] = {}
    mute = Channel("mute", Variable("X", environ), ALL)
    put(store, clock, "a", lane="mute")
    put(store, clock, "b")
    one = courier(store, [mute, MAIL], clock, way.open)
    assert await one.deliver() == 1
    assert names(way) == ["b"]
    (letter,) = store.queued_letters("mute")
    assert "environment variable X is not set" in letter.trouble
    environ["X"] = "json://x"
    assert await one.deliver() == 0
    clock.forward(seconds=30)
    assert await one.deliver() == 1


async def test_what_waits_for_a_channel_that_is_no_more_is_given_up(
    store: Store, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """Told once in the log; nothing else changes, also of what is gathered, and it may be forgotten after its month."""
    way = Way()
    for lane in ("gone", "gone/digest", "mail/digest"):
        put(store, clock, "a", lane=lane)
    put(store, clock, "b")
    one = courier(store, [MAIL], clock, way.open)
    one.begin()
    one.begin()
    assert [record.message.split()[0] for record in caplog.records] == ["2"]
    assert await one.deliver() == 2
    assert names(way) == ["b", "a"]
    assert store.letters_waiting() == []
    assert store.prune(clock.now + timedelta(days=60))["outbox"] == 4


async def test_nothing_is_sent_in_quiet_hours(store: Store, clock: Clock) -> None:
    """From 22:00 to 7:00 by the site's clock nothing goes, on this channel; then all in order."""
    way, loud = Way(), Way()
    quiet = channel("mail", quiet=Quiet(time(22), time(7), ZONE))
    clock.now = datetime(2026, 7, 1, 20, 59, tzinfo=UTC)  # 21:59 in summer
    one = courier(store, [quiet], clock, way.open)
    other = courier(store, [channel("hook")], clock, loud.open)
    put(store, clock, "evening")
    await one.deliver()
    for hour in range(9):
        clock.now = datetime(2026, 7, 1, 21, tzinfo=UTC) + timedelta(hours=hour)
        put(store, clock, f"night{hour}")
        put(store, clock, f"night{hour}", lane="hook")
        await one.deliver()
        await other.deliver()
    assert names(way) == ["evening"]
    assert len(names(loud)) == 9
    clock.now = datetime(2026, 7, 2, 6, tzinfo=UTC)
    await one.deliver()
    assert names(way) == ["evening", *(f"night{hour}" for hour in range(9))]


async def test_what_can_wait_comes_together(store: Store, clock: Clock) -> None:
    """A day after the first of them, in one message, each under its own name; urgent ones don't wait for it."""
    way = Way()
    both = channel("mail", gathered=frozenset(("sometime",)), digest=DAY)
    one = courier(store, [both], clock, way.open)
    put(store, clock, "a", lane=both.digest_lane)
    clock.forward(hours=23)
    put(store, clock, "b", lane=both.digest_lane)
    put(store, clock, "urgent")
    assert await one.deliver() == 1
    assert names(way) == ["urgent"]
    clock.forward(hours=1)
    assert await one.deliver() == 2
    assert names(way) == ["urgent", "a", "b"]
    assert len(way.got) == 2
    assert way.got[1].count("\nMessage: ") == 2


async def test_a_digest_is_bounded_and_survives_a_failure(store: Store, clock: Clock) -> None:
    """Twenty in one message; while the receiver is gone nothing is lost and nothing overtakes."""
    way = Way()
    gathering = channel("mail", gathered=frozenset(("sometime",)), digest=timedelta(hours=1))
    one = courier(store, [gathering], clock, way.open)
    wanted = [f"n{number}" for number in range(45)]
    put(store, clock, *wanted, lane=gathering.digest_lane)
    clock.forward(hours=1)
    way.broken = True
    assert await one.deliver() == 0
    way.broken = False
    assert await one.deliver() == 0
    clock.forward(seconds=30)
    assert await one.deliver() == 45
    assert names(way) == wanted
    assert [body.count("\nMessage: ") for body in way.got] == [20, 20, 5]


async def test_a_letter_that_no_receiver_takes_holds_up_the_rest_for_hours_only(store: Store, clock: Clock) -> None:
    """After ten failures the next is tried too; when that goes, the first is given up and told of in the log."""
    way = Way()
    way.refuses = lambda body: body.startswith("bad")
    one = courier(store, [MAIL], clock, way.open)
    put(store, clock, "bad", "b", "c")
    for _ in range(12 * 60):
        await one.deliver()
        clock.forward(minutes=1)
    assert names(way) == ["b", "c"]
    assert store.letters_waiting() == []


async def test_a_way_that_comes_back_in_between_loses_nothing(
    store: Store, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """After ten failures: when the first fails once more and the way is whole at the next, both have arrived."""
    way = Way()
    way.broken = True
    one = courier(store, [MAIL], clock, way.open)
    put(store, clock, "a", "b", "c")
    for _ in range(10):
        await one.deliver()
        clock.forward(hours=1)
    way.broken = False
    way.refuses = lambda body: way.tried_at.count(clock.now) == 1 and body.startswith("a")
    way.now = clock
    await one.deliver()
    await one.deliver()
    assert names(way) == ["b", "a", "c"]
    assert way.files == ["b.pdf", "a.pdf", "c.pdf"]
    assert "gave up" not in caplog.text


async def test_a_receiver_that_is_gone_for_good_is_given_up(
    store: Store, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """After a fortnight, one after the other; the log says so, and when it began. None of it is sent later."""
    way = Way()
    way.broken = True
    one = courier(store, [MAIL], clock, way.open)
    put(store, clock, "a")
    with caplog.at_level(logging.INFO):
        for _ in range(14 * 24):
            await one.deliver()
            clock.forward(hours=1)
        assert [one.count for one in store.letters_waiting()] == [1]
        await one.deliver()
    assert store.letters_waiting() == []
    levels = [record.levelname for record in caplog.records]
    assert levels == ["WARNING", "ERROR"]
    way.broken = False
    put(store, clock, "b")
    assert await one.deliver() == 1
    assert names(way) == ["b"]


@pytest.mark.parametrize("years", [-10, 10])
async def test_a_clock_that_is_set_stops_nothing(store: Store, clock: Clock, years: int) -> None:
    """What waits for a moment far away, or looks old, because the clock was wrong, goes when the clock is right."""
    way = Way()
    gathering = channel("mail", gathered=frozenset(("sometime",)), digest=DAY)
    way.broken = True
    right = clock.now
    clock.now = right + timedelta(days=365 * years)
    put(store, clock, "a")
    one = courier(store, [gathering], clock, way.open)
    await one.deliver()
    put(store, clock, "b", lane=gathering.digest_lane)
    clock.now = right
    await one.deliver()
    clock.forward(minutes=1)
    way.broken = False
    assert await one.deliver() == 2
    assert names(way) == ["a", "b"]


async def test_the_log_says_when_a_channel_breaks_and_when_it_works_again(
    store: Store, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """Once each, not at each attempt."""
    way = Way()
    way.broken = True
    put(store, clock, "a")
    one = courier(store, [MAIL], clock, way.open)
    with caplog.at_level(logging.INFO):
        for _ in range(3):
            await one.deliver()
            clock.forward(hours=1)
        way.broken = False
        await one.deliver()
    said = [record.message for record in caplog.records]
    assert said == [
        "channel mail: not delivered, will be tried again: broken",
        "channel mail: works again after 3 attempts",
    ]


STEPS = st.lists(
    st.sampled_from(
        [
            "put",
            "put later",
            "round",
            "round",
            "minute",
            "hour",
            "break",
            "mend",
            "restart",
            "before",
            "after",
            "failed",
        ]
    ),
    max_size=40,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(STEPS)
async def test_order_is_kept_and_nothing_is_lost_or_repeated_without_cause(steps: list[str]) -> None:
    """
    Whatever happens in whatever order: all letters arrive once the way is whole, first arrivals in the order they were put
    in (each lane for itself), repeats no more than there were kills after sending, attempts no closer than their waits.
    """
    clock, way = Clock(), Way()
    both = channel("mail", gathered=frozenset(("sometime",)), digest=timedelta(hours=2))
    way.now = clock
    wanted: dict[str, list[str]] = {"mail": [], both.digest_lane: []}
    killed_after = 0
    with TemporaryDirectory() as folder:
        store = open_store(Path(folder), clock)
        one = courier(store, [both], clock, way.open)
        try:
            for step in [*steps, "mend", *["hour", "round"] * 4]:
                if step.startswith("put"):
                    lane = both.digest_lane if step == "put later" else "mail"
                    name = f"{step.replace(' ', '-')}-{len(wanted[lane])}"
                    wanted[lane].append(name)
                    put(store, clock, name, lane=lane)
                elif step in ("minute", "hour"):
                    clock.forward(**{f"{step}s": 1})
                elif step in ("break", "mend"):
                    way.broken = step == "break"
                    way.kill = None
                elif step == "restart":
                    store.close()
                    store = open_store(Path(folder), clock)
                    one = courier(store, [both], clock, way.open)
                elif step in ("before", "after", "failed"):
                    way.kill = step
                else:
                    try:
                        await one.deliver()
                    except Killed:
                        killed_after += 1
                        store.close()
                        store = open_store(Path(folder), clock)
                        one = courier(store, [both], clock, way.open)
            assert store.letters_waiting() == []
        finally:
            store.close()
    arrived = names(way)
    assert set(arrived) == {*wanted["mail"], *wanted[both.digest_lane]}
    for put_in in wanted.values():
        assert list(dict.fromkeys(name for name in arrived if name in put_in)) == put_in
    counts = Counter(body.splitlines()[-1] for body in way.got)
    assert sum(counts.values()) - len(counts) <= killed_after
