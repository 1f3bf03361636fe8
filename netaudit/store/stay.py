"""
Presence as intervals: from single sightings to "was here from 18:02 to 23:40".

Pure: no database and no clock. One row an interval instead of one a sighting is what lets a year of 250 devices fit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final

# A device that is asked every minute and sleeps through a few answers has not left. common practice, no source
TOLERANCE_S: Final = 900.0

Tolerance = Callable[[str], float]


def usual_tolerance(_mac: str) -> float:
    """Give the gap that doesn't end an interval when nobody knows better [s]."""
    return TOLERANCE_S


@dataclass(frozen=True, slots=True)
class Stay:
    """
    An interval in which a device was seen again and again on one segment.

    since, until: first and last sighting [s since 1970]; saved_until: what the database knows of `until`, or None.
    """

    mac: str
    segment: str
    since: int
    until: int
    saved_until: int | None = None

    @property
    def unsaved(self) -> bool:
        """Whether the database knows an older end, or nothing."""
        return self.saved_until != self.until


class Stays:
    """The interval that each device is in or was in last, by (mac, segment)."""

    def __init__(self, stays: Iterable[Stay] = ()) -> None:
        self._stays = {(stay.mac, stay.segment): stay for stay in stays}

    def __len__(self) -> int:
        """Number of intervals that may still grow."""
        return len(self._stays)

    def copy(self) -> Stays:
        """Give a copy to try something on."""
        return Stays(self._stays.values())

    def get(self, mac: str, segment: str) -> Stay | None:
        """Give the interval that may still grow."""
        return self._stays.get((mac, segment))

    def all(self) -> tuple[Stay, ...]:
        """Give all intervals that may still grow."""
        return tuple(self._stays.values())

    def sight(self, mac: str, segment: str, at: int, tolerance_s: float) -> tuple[Stay | None, bool]:
        """
        Take in one sighting.

        Returns:   the interval that this ended, if any, and whether an interval began. A sighting from before the
                   interval says nothing new about its end and is passed over.
        """
        stay = self._stays.get((mac, segment))
        if stay is None:
            self._stays[mac, segment] = Stay(mac, segment, at, at)
            return None, True
        if at <= stay.until:
            return None, False
        if at - stay.until <= tolerance_s:
            self._stays[mac, segment] = replace(stay, until=at)
            return None, False
        self._stays[mac, segment] = Stay(mac, segment, at, at)
        return stay, True

    def unsaved(self) -> list[Stay]:
        """Give the intervals of which the database doesn't know the end."""
        return [stay for stay in self._stays.values() if stay.unsaved]

    def put(self, stay: Stay) -> None:
        """Put this interval in the place of what is known."""
        self._stays[stay.mac, stay.segment] = stay

    def end(self, now: int, tolerance: Tolerance) -> list[Stay]:
        """Take out and give the intervals that no sighting can extend any more."""
        over = [stay for stay in self._stays.values() if now - stay.until > tolerance(stay.mac)]
        for stay in over:
            del self._stays[stay.mac, stay.segment]
        return over
