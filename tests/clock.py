"""A clock that tests turn by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

START = datetime(2026, 1, 5, 10, 0, tzinfo=UTC)


class Clock:
    """It stands until it is turned; `now` may be set, too."""

    def __init__(self, now: datetime = START) -> None:
        self.now = now

    def __call__(self) -> datetime:
        """Give the present."""
        return self.now

    def forward(self, **gone: float) -> datetime:
        """Turn it on, and give the new present."""
        self.now += timedelta(**gone)
        return self.now
