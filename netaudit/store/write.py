"""
Writing what was observed: buffered, in batches, by one writer.

A flush works on a copy of the writer's memory, which takes its place only when the transaction is kept; if it fails,
buffer and memory are as before, and the next flush tries again.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from sqlalchemy import select

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.batch import Batch, Tally
from netaudit.store.engine import shown, writing
from netaudit.store.memory import Memory, Seen
from netaudit.store.moment import moment, seconds
from netaudit.store.trouble import told

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from sqlalchemy import Connection, Engine

    from netaudit.observe.observation import Observation
    from netaudit.store.stay import Stay, Tolerance

# Observations held while the disk is full or locked: 250 devices for over three hours, some 15 MB. The oldest go first.
BUFFER: Final = 50_000
# How long an observation may wait for its commit. Each commit writes some six pages of 4 KiB to the log and is synced:
# one a minute keeps the wear of a card low (benchmarks/store.py), and a crash loses no more than that minute.
COMMIT_EVERY: Final = timedelta(seconds=60)


@dataclass(slots=True)
class Counters:
    """
    What became of the observations since the store was opened.

    written: kept. dropped: lost because the buffer was full. refused: beyond a bound, without a time zone, no number, or
    from the future. too_old: from before what is kept raw. failed: flushes that the database refused. commits: kept ones.
    """

    written: int = 0
    dropped: int = 0
    refused: int = 0
    too_old: int = 0
    failed: int = 0
    commits: int = 0


class Writer:
    """
    The one writer of one site's rows.

    Args:      engine: the database, migrated; site: the site's number there; tolerance: the gap that a device's interval
               survives [s] by MAC; keep_raw: how old a sample may be to be written at all.
    """

    def __init__(self, engine: Engine, *, site: int, tolerance: Tolerance, keep_raw: timedelta) -> None:
        self._engine = engine
        self._where = shown(engine.url)
        self._site = site
        self._tolerance = tolerance
        self._keep_raw_s = int(keep_raw.total_seconds())
        self._buffer: deque[Observation] = deque()
        self._memory = Memory()
        self._committed_at: datetime | None = None
        self._buffer_lock = threading.Lock()
        self._flush_lock = threading.Lock()
        self.counters = Counters()

    def write(self, observations: Iterable[Observation]) -> None:
        """Take observations in; they are kept by the next flush. Never touches the disk; the oldest go when too many."""
        with self._buffer_lock:
            self._buffer.extend(observations)
            self._trim()

    def _trim(self) -> None:
        while len(self._buffer) > BUFFER:
            self._buffer.popleft()
            self.counters.dropped += 1

    def waiting(self) -> int:
        """Give the number of observations not yet kept, without those that a flush is writing right now."""
        return len(self._buffer)

    def due(self, now: datetime) -> bool:
        """Say whether it is time for a flush: something waits, and a minute has passed or the buffer is half full."""
        if not self._buffer:
            return False
        if self._committed_at is None or len(self._buffer) >= BUFFER // 2:
            return True
        return not timedelta(0) <= now - self._committed_at < COMMIT_EVERY

    def flush(self, now: datetime, *, last: bool = False) -> int:
        """
        Keep what waits, in one transaction.

        Args:      last: also write the exact ends of intervals and whatever else is otherwise saved every few minutes.
        Returns:   the number of observations that were taken from the buffer.
        Raises:    StoreError: nothing was written; what waits goes on waiting, until the buffer is full.
        """
        with self._flush_lock:
            with self._buffer_lock:
                taken, self._buffer = self._buffer, deque()
            if not taken and not last:
                return 0
            try:
                memory, tally = self._keep(taken, seconds(now), last=last)
            except BaseException as error:
                self.counters.failed += isinstance(error, StoreError)
                with self._buffer_lock:
                    taken.extend(self._buffer)
                    self._buffer = taken
                    self._trim()
                raise
            self._memory = memory
            self._committed_at = now
            self.counters.written += tally.written
            self.counters.refused += tally.refused
            self.counters.too_old += tally.too_old
            self.counters.commits += 1
            return len(taken)

    def _keep(self, taken: Collection[Observation], now_s: int, *, last: bool) -> tuple[Memory, Tally]:
        with told(self._where), writing(self._engine) as connection:
            memory = self._memory.current(connection, self._site)
            batch = Batch(
                connection,
                memory,
                site=self._site,
                now_s=now_s,
                tolerance=self._tolerance,
                oldest_s=now_s - self._keep_raw_s,
            )
            batch.take(taken)
            batch.save(last=last)
        return memory, batch.tally

    def stays(self) -> tuple[Stay, ...]:
        """Give the intervals that may still grow, with ends that the database may not know yet."""
        return self._memory.stays.all()

    def repeated(self, connection: Connection) -> dict[tuple[str, str, str], Seen]:
        """
        Give each notice's first and last time by (kind, place, detail), later than the database may know them.

        Nothing when rows were removed since this memory was made: what was forgotten must not come back from here.
        """
        asked = select(schema.sites.c.generation).where(schema.sites.c.id == self._site)
        memory = self._memory
        return memory.notices if connection.scalar(asked) == memory.generation else {}

    def latest_attempts(self) -> dict[str, tuple[datetime, str]]:
        """Give for each source its latest attempt and the reason, later than the database may know them."""
        return {source: (moment(state.until), state.reason) for source, state in self._memory.health.items()}
