"""Quiet hours by the site's clock: one unbroken span each night, also in nights in which the clock is changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, tzinfo


@dataclass(frozen=True, slots=True)
class Quiet:
    """From `begin` to `end`, over midnight when `end` isn't after `begin`; the moment of the end is not quiet."""

    begin: time
    end: time
    zone: tzinfo

    def until(self, now: datetime) -> datetime | None:
        """Give the end of the quiet hours that `now` lies in, in UTC; None when it lies in none."""
        today = now.astimezone(self.zone).date()
        for day in (today - timedelta(days=1), today):
            last = day if self.begin < self.end else day + timedelta(days=1)
            begin, end = self._moment(day, self.begin), self._moment(last, self.end)
            if begin <= now < end:
                return end
        return None

    def _moment(self, day: date, at: time) -> datetime:
        """
        Give the moment of a time of day.

        Source:    RFC 5545 section 3.3.5: a time that comes twice means the first one; one that is left out is counted
                   by the clock before the change. That is what fold 0 means (PEP 495).
        """
        return datetime.combine(day, at.replace(fold=0), self.zone).astimezone(UTC)
