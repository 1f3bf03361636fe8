"""
What was in use on past days, line by line, and what that says of the time to come.

Most lines have a series of their own, which a collector measures. What only the judgement knows (stations, devices,
addresses, predicted air) it hands back as samples, so that it too has a past.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.forecast import MOST_DAYS, forecast
from netaudit.capacity.line import Kind
from netaudit.observe.observation import Sample

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date, datetime

    from netaudit.audit.forecast import Forecast
    from netaudit.audit.standing import Standing
    from netaudit.capacity.line import Line
    from netaudit.store.store import Store

# A day's peak of a count that changes by the hour is caught by four looks an hour; more would only fill the card.
RECORD_EVERY: Final = timedelta(minutes=15)
_JUDGED: Final = (Kind.STATIONS, Kind.DEVICE_COUNT, Kind.ADDRESSES)
_MEASURED: Final[Mapping[Kind, str]] = {
    Kind.LINK_UP: vocabulary.UP_BPS,
    Kind.LINK_DOWN: vocabulary.DOWN_BPS,
    Kind.ROUTED: vocabulary.ROUTED_BPS,
    Kind.POWER: vocabulary.POWER_W,
    Kind.PORTS: vocabulary.PORTS_UP,
    Kind.WRITE: vocabulary.WRITE_BPS,
    Kind.AIRTIME: vocabulary.BUSY_SHARE,
}


def series_of(line: Line) -> str | None:
    """Name the kind of the series at the line's place that holds its past; None where nothing is kept of it."""
    return f"use_{line.kind}" if line.kind in _JUDGED else _MEASURED.get(line.kind)


def samples_of(standings: Iterable[Standing], now: datetime) -> tuple[Sample, ...]:
    """Give what was judged to be in use, where no collector measures it."""
    return tuple(
        Sample(now, one.line.place, f"use_{one.line.kind}", one.observed.latest)
        for one in standings
        if one.observed is not None and one.line.kind in _JUDGED
    )


def peaks(store: Store, line: Line, now: datetime) -> list[tuple[date, float]]:
    """Give the greatest use of each whole day, oldest first. Raises StoreError: the store can't be read."""
    kind = series_of(line)
    if kind is None:
        return []
    days = store.days(line.place, kind, now - timedelta(days=MOST_DAYS), now)
    return [(day.at.date(), day.high) for day in days if day.high is not None]


def outlook(store: Store, standings: Iterable[Standing], now: datetime) -> dict[tuple[Kind, str], Forecast]:
    """Say of each line that has a past when it reaches its ceiling. Raises StoreError: the store can't be read."""
    found: dict[tuple[Kind, str], Forecast] = {}
    for one in standings:
        past = peaks(store, one.line, now)
        if past:
            found[one.line.kind, one.line.place] = forecast(past, one.line.usable)
    return found
