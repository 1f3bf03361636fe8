"""Readings of one series and what can be said of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.observe.delay import nearest_rank

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.store.records import Reading

# Below 20 values the nearest-rank 95th percentile is the greatest value itself and says nothing of its own.
FEWEST_FOR_P95 = 20


@dataclass(frozen=True, slots=True)
class Series:
    """The readings of one place and kind in the last hour, oldest first."""

    readings: tuple[Reading, ...]

    @property
    def values(self) -> tuple[float, ...]:
        """Those that were answered."""
        return tuple(one.value for one in self.readings if one.value is not None)

    @property
    def asked(self) -> int:
        """How many were asked."""
        return len(self.readings)

    @property
    def lost(self) -> int:
        """How many were not answered."""
        return sum(one.value is None for one in self.readings)

    @property
    def latest(self) -> Reading | None:
        """The latest that was answered."""
        return next((one for one in reversed(self.readings) if one.value is not None), None)

    @property
    def p95(self) -> float | None:
        """The 95th percentile by nearest rank; None while there are too few values to tell it from the greatest."""
        values = self.values
        return nearest_rank(values, 95) if len(values) >= FEWEST_FOR_P95 else None

    def fresh(self, now: datetime, within_s: float) -> float | None:
        """Give the latest value if it is not older than this."""
        latest = self.latest
        return latest.value if latest is not None and (now - latest.at).total_seconds() <= within_s else None
