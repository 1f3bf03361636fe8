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
from netaudit.store import pending, schema
from netaudit.store.batch import Batch, Tally
from netaudit.store.engine import shown, writing
from netaudit.store.memory import Memory, Seen
from netaudit.store.moment import moment, seconds
from netaudit.store.trouble import told

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from sqlalchemy import Connection, Engine

    from netaudit.observe.observation import Observation
    from netaudit.store.records import Reading
    from netaudit.store.stay import Stay, Tolerance

# Observations held while the disk is full or locked: 250 devices for over three hours, some 15 MB. The oldest go first.
BUFFER: Final = 50_000
# How long what is new may wait for its commit: a device, an address, a name, a word, a change. A crash loses no more of that.
NEWS_EVERY: Final = timedelta(seconds=60)
# How long what goes on with something known may wait: numbers, and times of the known. Each commit dirties some twelve
# pages of 4 KiB (the log, its index in shared memory, the file system's own), of which the samples are one a minute: one
# commit in two minutes costs a card 40 % less than one a minute (benchmarks/small_box.py). Longer than this, with the
# minute that a round of echoes takes, a sample would count as late (batch.LATE_S).
COMMIT_EVERY: Final = timedelta(seconds=120)


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
        # What a flush is writing right now.
        self._taken: deque[Observation] = deque()
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
        """Say whether it is time for a flush: what waits has waited long enough, or the buffer is half full."""
        if not self._buffer:
            return False
        if self._committed_at is None or len(self._buffer) >= BUFFER // 2:
            return True
        gone = now - self._committed_at
        return not timedelta(0) <= gone < COMMIT_EVERY or (gone >= NEWS_EVERY and self.has_news())

    def has_news(self) -> bool:
        """Say whether something waits that readers don't see yet: more than numbers, and times of what is known."""
        memory, waits = self._seen()
        return any(pending.is_news(one, memory, self._tolerance) for one in waits)

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
                self._taken = taken
            if not taken and not last:
                return 0
            try:
                memory, tally = self._keep(taken, seconds(now), last=last)
            except BaseException as error:
                self.counters.failed += isinstance(error, StoreError)
                with self._buffer_lock:
                    taken.extend(self._buffer)
                    self._buffer, self._taken = taken, deque()
                    self._trim()
                raise
            with self._buffer_lock:
                self._memory, self._taken = memory, deque()
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

    def _seen(self) -> tuple[Memory, list[Observation]]:
        """Give the memory and what waits beyond it, both of one moment."""
        with self._buffer_lock:
            return self._memory, [one for one in (*self._taken, *self._buffer) if one.at.tzinfo is not None]

    def stays(self) -> tuple[Stay, ...]:
        """Give the intervals that may still grow, with ends that the database may not know yet."""
        memory, waits = self._seen()
        return pending.stays(waits, memory, self._tolerance)

    def readings(self, since: datetime, until: datetime) -> dict[tuple[str, str], dict[datetime, Reading]]:
        """Give the samples in [since, until) that the database may not have yet, by (place, kind) and moment."""
        _, waits = self._seen()
        return pending.readings(waits, since, until)

    def repeated(self, connection: Connection) -> dict[tuple[str, str, str], Seen]:
        """
        Give each notice's first and last time by (kind, place, detail), later than the database may know them.

        Nothing when rows were removed since this memory was made: what was forgotten must not come back from here.
        """
        memory, waits = self._seen()
        return pending.notices(waits, memory) if self._is_current(connection, memory) else {}

    def knows_repeats(self, connection: Connection) -> bool:
        """Say whether `repeated` gives the last times up to now: not before the first flush, and never where nobody writes."""
        return self._is_current(connection, self._memory)

    def _is_current(self, connection: Connection, memory: Memory) -> bool:
        asked = select(schema.sites.c.generation).where(schema.sites.c.id == self._site)
        return bool(connection.scalar(asked) == memory.generation)

    def latest_attempts(self) -> dict[str, tuple[datetime, str]]:
        """Give for each source its latest attempt and the reason, later than the database may know them."""
        memory, waits = self._seen()
        known = pending.health(waits, memory)
        return {source: (moment(state.until), state.reason) for source, state in known.items()}
