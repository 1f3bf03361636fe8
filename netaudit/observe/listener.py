"""
The passive listener: hears a live segment, asks nothing, and says what is new every few seconds.

Frames go through the same census as those of a file; a filter in the kernel keeps away what tells nothing.
"""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from netaudit.errors import LookError
from netaudit.observe.census import LIVE_LIMITS, Census
from netaudit.observe.census_message import PORTS
from netaudit.observe.census_news import CensusNews
from netaudit.observe.census_sort import FrameSorter
from netaudit.observe.observation import Health, Sample
from netaudit.wire.bpf import listening_filter
from netaudit.wire.live import LiveSocket

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from netaudit.observe.census import Limits
    from netaudit.observe.observation import Observation

# Five seconds gather the burst that a device makes when it joins; a person at the page hardly notices the wait.
BEAT_S = 5.0
# A fact that goes on is said every five minutes, as often as the sweep looks by default.
REPEAT_S = 300.0


class Listener:
    """
    Listens to one segment on one interface until it is cancelled.

    Args:      interface its name; segment the plan's name of what is heard there untagged; sink takes observations;
               vlans the plan's names of what is heard tagged; beat_s how often news are said [s]; repeat_s how long a
               fact is not said again [s]; now_ns the clock of the kernel's stamps [ns since the epoch].

    `census` holds what was heard so far, and `drops` how many frames the kernel had no room for.
    """

    def __init__(
        self,
        interface: str,
        segment: str,
        *,
        sink: Callable[[Iterable[Observation]], None],
        vlans: Mapping[int, str] | None = None,
        beat_s: float = BEAT_S,
        repeat_s: float = REPEAT_S,
        limits: Limits = LIVE_LIMITS,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.census = Census(limits)
        self.drops = 0
        self._interface = interface
        self._source = f"listen:{segment}"
        self._place = f"segment:{segment}"
        self._sink = sink
        self._beat_s = beat_s
        self._now_ns = now_ns
        self._sorter = FrameSorter(self.census, segment)
        self._news = CensusNews(self.census, segment, vlans or {}, repeat_s)
        self._program = listening_filter(PORTS)
        self._health_due = 0
        self._repeat_ns = int(repeat_s * 1e9)
        self._trouble: str | None = None

    async def run(self) -> None:
        """
        Listen until cancelled; an interface that is down, without link or gone is waited for.

        Each spell of trouble is said once as bad health, its end as good health; good health is repeated so that
        silence of this source can be told from a silent network.

        Raises:    LookError: at the start only: no CAP_NET_RAW, or no such interface.
        """
        loop = asyncio.get_running_loop()
        sock: LiveSocket | None = self._open(loop)
        try:
            while True:
                await asyncio.sleep(self._beat_s)
                if sock is not None:
                    self._count(sock)
                    self._tell()
                sock = self._look_after(sock, loop)
        finally:
            if sock is not None:
                loop.remove_reader(sock)
                self._hear(sock)
                self._tell()
                sock.close()

    def _open(self, loop: asyncio.AbstractEventLoop) -> LiveSocket:
        sock = LiveSocket(self._interface, self._program)
        loop.add_reader(sock, self._hear, sock)
        return sock

    def _hear(self, sock: LiveSocket) -> None:
        try:
            self._sorter.take(sock.receive())
        except LookError:
            return  # the interface went down; `_look_after` finds out what it is, and says so

    def _count(self, sock: LiveSocket) -> None:
        """Say how many frames were lost here, when any were: then silence is no proof."""
        before, self.drops = sock.drops, sock.count_drops()
        if self.drops > before:
            at = self._now()
            self._sink((Sample(at, self._place, "listener_drops", float(self.drops - before)),))

    def _tell(self) -> None:
        self._sorter.settle()
        news = self._news.gather(self._now_ns())
        if news:
            self._sink(news)

    def _look_after(self, sock: LiveSocket | None, loop: asyncio.AbstractEventLoop) -> LiveSocket | None:
        """Say how the source is doing, and open the socket anew when its interface was replaced."""
        trouble = "is gone" if sock is None else sock.trouble()
        if trouble == "is gone":
            if sock is not None:
                loop.remove_reader(sock)
                sock.close()
            try:
                sock = self._open(loop)
                trouble = sock.trouble()
            except LookError:
                sock = None
        now_ns = self._now_ns()
        if trouble != self._trouble or now_ns >= self._health_due:
            self._trouble = trouble
            self._health_due = now_ns + self._repeat_ns
            reason = f"interface {self._interface} {trouble}" if trouble else ""
            self._sink((Health(self._now(), self._source, not trouble, reason),))
        return sock

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._now_ns() / 1e9, UTC)
