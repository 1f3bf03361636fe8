"""The timetable: nothing overlaps itself, a late job runs once, one that fails fails alone, stopping waits."""

from __future__ import annotations

import asyncio
import logging
import time

import pytest

from netaudit.daemon import schedule as module
from netaudit.daemon.schedule import Schedule
from netaudit.errors import StoreError


async def test_a_slow_job_does_not_overlap_itself_and_delays_nobody() -> None:
    """While one source hangs, the other keeps its beat; the hanging one is counted as overlapping."""
    beats = 0
    inside = 0
    most = 0

    async def slow() -> None:
        nonlocal inside, most
        inside += 1
        most = max(most, inside)
        await asyncio.sleep(0.7)
        inside -= 1

    async def quick() -> None:
        nonlocal beats
        beats += 1

    timetable = Schedule()
    timetable.every(0.1, "slow", slow)
    timetable.every(0.1, "quick", quick)
    timetable.start()
    await asyncio.sleep(1.0)
    await timetable.stop(2)
    assert most == 1
    assert beats >= 7
    assert timetable.counts["overlapped", "slow"] >= 3


async def test_a_blocked_loop_makes_no_storm() -> None:
    """After the loop was blocked for many intervals a job runs once, not once for each that was missed."""
    beats = 0

    async def job() -> None:
        nonlocal beats
        beats += 1

    timetable = Schedule()
    timetable.every(0.1, "job", job)
    timetable.start()
    await asyncio.sleep(0.15)
    before = beats
    time.sleep(1.0)  # noqa: ASYNC251 - blocking the loop is what is tested
    await asyncio.sleep(0.05)
    await timetable.stop(1)
    assert before <= beats <= before + 2


async def test_a_job_that_fails_is_counted_and_runs_again() -> None:
    """A failure is no end: the next turn comes, and others are untouched."""
    calls = 0

    async def broken() -> None:
        nonlocal calls
        calls += 1
        raise ValueError("as meant")

    timetable = Schedule()
    timetable.every(0.05, "broken", broken)
    timetable.start()
    await asyncio.sleep(0.3)
    await timetable.stop(1)
    assert calls >= 3
    assert timetable.counts["failed", "broken"] == calls


@pytest.mark.parametrize(
    ("error", "traced"),
    [(StoreError("site.db: it is damaged: put back a backup"), False), (ValueError("a fault of the program"), True)],
    ids=["told", "not foreseen"],
)
async def test_a_failure_that_says_what_to_do_is_one_line(
    caplog: pytest.LogCaptureFixture, error: Exception, *, traced: bool
) -> None:
    """The job and the error's own line; only what nobody foresaw brings its traceback."""

    async def fails() -> None:
        raise error

    timetable = Schedule()
    timetable.every(60, "judge", fails)
    timetable.start()
    await asyncio.sleep(0.1)
    await timetable.stop(1)
    (said,) = caplog.records
    assert (said.exc_info is not None) is traced
    if not traced:
        assert said.getMessage() == f"judge failed: {error}"
    assert timetable.counts["failed", "judge"] == 1


async def test_stopping_waits_for_what_runs_and_cancels_what_hangs(caplog: pytest.LogCaptureFixture) -> None:
    """A job that ends within the time is let end; one that doesn't is cancelled, which is told in one line, and stopping ends."""
    ended: list[str] = []

    async def ends() -> None:
        await asyncio.sleep(0.3)
        ended.append("ends")

    async def hangs() -> None:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            ended.append("cancelled")
            raise

    timetable = Schedule()
    timetable.every(10, "ends", ends)
    timetable.every(10, "hangs", hangs)
    timetable.start()
    await asyncio.sleep(0.1)
    await timetable.stop(0.6)
    await asyncio.sleep(0.05)
    assert ended == ["ends", "cancelled"]
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING] == [
        "hangs did not end within 0.6 s and is cancelled"
    ]


async def test_a_clock_that_is_set_makes_no_storm_and_no_silence(monkeypatch) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    """A box without a clock battery hears the time: jobs go on from the new now, once each."""
    monkeypatch.setattr(module, "CHECK_EVERY_S", 0.05)
    shift = 0.0
    calls = 0

    async def job() -> None:
        nonlocal calls
        calls += 1

    timetable = Schedule(wall=lambda: time.time() + shift)
    timetable.every(3600, "job", job)
    timetable.start()
    await asyncio.sleep(0.2)
    assert calls == 1
    shift = -0.9 * 3600
    await asyncio.sleep(0.2)
    shift = 0.0
    await asyncio.sleep(1.3)
    await timetable.stop(1)
    assert timetable.jumps == 2
    assert calls in (2, 3)
