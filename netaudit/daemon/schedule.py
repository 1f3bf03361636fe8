"""
APScheduler on one asyncio loop: no job overlaps itself, a late one runs once and not ten times, stopping waits for the running.

Jobs run on the monotonic side of things as far as can be: a box without a clock battery jumps by decades when it first
hears the time. APScheduler plans by the wall clock; so each tick asks whether the clock has jumped and plans anew if so.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from apscheduler.events import EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from netaudit.errors import NetauditError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from apscheduler.events import JobExecutionEvent

log = logging.getLogger(__name__)

# A job that comes late by up to this still runs (once: the missed ones are coalesced). Longer than any of our own pauses
# (a checkpoint on a slow card), shorter than the shortest interval at which a double run could be noticed.
GRACE_S: Final = 30
# A wall clock that differs from the monotonic one by more than this has been set, not merely slewed: NTP slews by at most
# 0.5 ms/s (RFC 5905 section 11.3 discusses 500 ppm), so within one check 30 s can't come from slewing.
JUMP_S: Final = 30.0
CHECK_EVERY_S: Final = 5.0


class Schedule:
    """
    The daemon's timetable.

    `counts` tallies ("ran" | "failed" | "missed" | "overlapped", job) for the metrics; `jumps` the clock's jumps.
    """

    def __init__(self, *, wall: Callable[[], float] = time.time, steady: Callable[[], float] = time.monotonic) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()
        self.jumps = 0
        self._wall, self._steady = wall, steady
        self._running: set[asyncio.Task[None]] = set()
        self._intervals: dict[str, float] = {}
        self._scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": GRACE_S, "max_instances": 1}
        )
        self._scheduler.add_listener(self._count, EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
        self._watch: asyncio.Task[None] | None = None

    def every(self, interval_s: float, name: str, job: Callable[[], Awaitable[None]], *, first_s: float = 0.0) -> None:
        """Run a job every `interval_s`, for the first time `first_s` from now."""
        self._intervals[name] = interval_s
        first = datetime.now(UTC) + timedelta(seconds=first_s)
        self._scheduler.add_job(
            self._guarded, IntervalTrigger(seconds=interval_s, timezone=UTC), (name, job), id=name, next_run_time=first
        )

    def weekly(self, day: str, hour: int, zone: str, name: str, job: Callable[[], Awaitable[None]]) -> None:
        """Run a job at this hour of each `day` ("mon" to "sun") by the site's clock."""
        self._scheduler.add_job(
            self._guarded,
            CronTrigger(day_of_week=day, hour=hour, minute=0, timezone=zone),
            (name, job),
            id=name,
            # A box that was off on Monday morning writes its report when it is back within the day.
            misfire_grace_time=86400,
        )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()
        self._watch = asyncio.create_task(self._watch_clock())

    async def stop(self, timeout_s: float) -> None:
        """
        Start nothing more, wait for what runs, cancel what doesn't end in time.

        `shutdown(wait=True)` would cancel running coroutines at once, so they are waited for here.
        """
        if self._watch is not None:
            self._watch.cancel()
        if self._scheduler.running:
            self._scheduler.pause()
        if self._running:
            _, late = await asyncio.wait(self._running, timeout=timeout_s)
            for task in late:
                log.warning("%s did not end within %g s and is cancelled", task.get_name(), timeout_s)
                task.cancel()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    async def _guarded(self, name: str, job: Callable[[], Awaitable[None]]) -> None:
        """Run a job; its failure is counted and told, and nothing else fails with it."""
        task = asyncio.current_task()
        if task is None:
            return
        self._running.add(task)
        task.set_name(name)
        try:
            await job()
            self.counts["ran", name] += 1
        except asyncio.CancelledError:
            # Only `stop` does that, and has said so; the library would tell of a failure, over thirty lines.
            pass
        except NetauditError as error:
            self.counts["failed", name] += 1
            log.error("%s failed: %s", name, error)  # noqa: TRY400 - the line says what to do; a traceback would not
        except Exception:
            self.counts["failed", name] += 1
            log.exception("%s failed", name)
        finally:
            self._running.discard(task)

    def _count(self, event: JobExecutionEvent) -> None:
        if event.code == EVENT_JOB_MISSED:
            self.counts["missed", event.job_id] += 1
            log.warning("%s came too late for its turn, which is left out", event.job_id)
        else:
            self.counts["overlapped", event.job_id] += 1
            log.warning("%s still runs when it is due again: that turn is left out", event.job_id)

    async def _watch_clock(self) -> None:
        """Notice when the wall clock is set, and plan every interval from the new now."""
        offset_s = self._wall() - self._steady()
        while True:
            await asyncio.sleep(CHECK_EVERY_S)
            now_offset_s = self._wall() - self._steady()
            if abs(now_offset_s - offset_s) > JUMP_S:
                self.jumps += 1
                log.warning("the clock was set by %+.0f s; intervals start anew", now_offset_s - offset_s)
                now = datetime.fromtimestamp(self._wall(), UTC)
                for name, interval_s in self._intervals.items():
                    self._scheduler.modify_job(name, next_run_time=now + timedelta(seconds=min(interval_s, 1.0)))
            offset_s = now_offset_s
