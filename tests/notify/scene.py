"""What tests of telling share: a clock, a store, channels, a way out that can be broken."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, TypeVar
from zoneinfo import ZoneInfo

from netaudit.notify.channel import Channel, Variable
from netaudit.notify.deliver import Courier
from netaudit.store.store import Store
from tests.clock import START, Clock

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Sequence
    from datetime import datetime
    from pathlib import Path

    from netaudit.notify.deliver import OpenPost

T = TypeVar("T")
ZONE = ZoneInfo("Europe/Lisbon")
ALL = frozenset(("now", "soon", "sometime"))


def open_store(folder: Path, clock: Clock) -> Store:
    """Open the store of a test, again after a restart."""
    return Store.open(folder / "site.db", site="home", clock=clock)


def channel(name: str = "mail", address: str = "json://127.0.0.1/x", **options: object) -> Channel:
    """Make a channel that is told everything."""
    return Channel(name, Variable("ALERT_URL", {"ALERT_URL": address}), ALL, **options)  # type: ignore[arg-type]


class Killed(BaseException):
    """The process ends here."""


class Way:
    """A way out, broken or not; what went through; and where the process is killed next."""

    def __init__(self) -> None:
        self.broken = False
        self.refuses: Callable[[str], bool] = lambda _: False
        self.got: list[str] = []
        self.files: list[str] = []
        self.tried_at: list[datetime] = []
        self.kill: str | None = None
        self.now: Callable[[], datetime] = lambda: START

    def _dies(self, point: str) -> None:
        if self.kill == point:
            self.kill = None
            raise Killed

    async def send(self, title: str, body: str, enclosure: str = "") -> str:
        """Deliver, or not."""
        assert body.startswith((title, "", "\n"))
        self.tried_at.append(self.now())
        self._dies("before")
        if self.broken or self.refuses(body):
            self._dies("failed")
            return "broken"
        self.got.append(body)
        self.files.append(enclosure)
        self._dies("after")
        return ""

    @asynccontextmanager
    async def open(self, address: str) -> AsyncIterator[Way]:
        """Be the way to any address."""
        assert "://" in address
        yield self


async def at_once(work: Callable[..., T], *args: object) -> T:
    """Run work that may wait right here."""
    return work(*args)


def courier(store: Store, channels: Sequence[Channel], clock: Clock, open_post: OpenPost) -> Courier:
    """Make a courier that works in place."""
    return Courier(store, channels, zone=ZONE, now=clock, off_loop=at_once, open_post=open_post)
