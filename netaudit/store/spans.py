"""
What judging reads each minute, made cheap: all series of a short span at once, the last stay of each device.

Series by series the span would be read once for each; a month of intervals is 30,000 rows where 250 say who is here.
"""

from __future__ import annotations

from operator import attrgetter
from typing import TYPE_CHECKING

from sqlalchemy import func, select, true

from netaudit.store import read, schema
from netaudit.store.key import index_of, series_of
from netaudit.store.moment import moment, seconds
from netaudit.store.records import Interval, Reading
from netaudit.store.unit import measured

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from sqlalchemy import Connection

    from netaudit.store.stay import Stay


def series_all(
    connection: Connection,
    site: int,
    since: datetime,
    until: datetime,
    waits: Mapping[tuple[str, str], Mapping[datetime, Reading]],
) -> dict[tuple[str, str], list[Reading]]:
    """
    Give the raw samples of all series in [since, until), oldest first, by (place, kind).

    Args:      waits: those that wait for their commit, by moment; of the same moment, they are the later ones.
    """
    one = schema.series.c
    known = select(one.id, one.place, one.kind, one.quantum).where(one.site == site)
    lines = {row.id: (row.place, row.kind, row.quantum) for row in connection.execute(known)}
    sample = schema.samples.c
    asked = read.span(schema.samples, site, seconds(since), seconds(until)).with_only_columns(sample.key, sample.value)
    found: dict[tuple[str, str], list[Reading]] = {}
    # Those of one second follow each other, and need its moment but once.
    index, at = -1, since
    for key, value in connection.execute(asked.order_by(sample.key)):
        line = lines.get(series_of(key))
        if line is not None:
            place, kind, quantum = line
            if index_of(key) != index:
                index = index_of(key)
                at = moment(index)
            found.setdefault((place, kind), []).append(Reading(at, measured(value, quantum)))
    for name, later in waits.items():
        kept = [reading for reading in found.get(name, ()) if reading.at not in later]
        found[name] = sorted((*kept, *later.values()), key=attrgetter("at"))
    return found


def last_stays(connection: Connection, site: int, since: datetime, growing: Iterable[Stay]) -> list[Interval]:
    """
    Give of each device and segment the last interval that touches the time from `since` on, by MAC and segment.

    Args:      growing: what the writer knows of intervals that may still grow, later than what is kept of them.
    """
    one = schema.devices.c
    found: dict[tuple[str, str], tuple[int, int]] = {}
    for table in (schema.presence, schema.present):
        stay = table.c
        ended = stay.until >= seconds(since) if table is schema.presence else true()
        # Intervals of a device on a segment don't overlap, so the latest beginning and the latest end are of one.
        grouped = (
            select(stay.device, stay.segment, func.max(stay.since).label("since"), func.max(stay.until).label("until"))
            .where(stay.site == site, ended)
            .group_by(stay.device, stay.segment)
            .subquery()
        )
        asked = select(one.mac, grouped.c.segment, grouped.c.since, grouped.c.until).join_from(
            grouped, schema.devices, (one.site == site) & (one.id == grouped.c.device)
        )
        for row in connection.execute(asked):
            key = row.mac, row.segment
            found[key] = max(found.get(key, (row.since, row.until)), (row.since, row.until))
    for known in growing:
        last = found.get((known.mac, known.segment))
        if last is not None and known.since >= last[0]:
            found[known.mac, known.segment] = (known.since, max(known.until, last[1]))
    return [
        Interval(mac, segment, moment(begins), moment(ends))
        for (mac, segment), (begins, ends) in sorted(found.items())
        if ends >= seconds(since)
    ]
