"""Reading every series of a short span at once: one range of keys, where series by series would read it once for each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from netaudit.store import read, schema
from netaudit.store.key import index_of, series_of
from netaudit.store.moment import moment, seconds
from netaudit.store.records import Reading
from netaudit.store.unit import measured

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection


def series_all(
    connection: Connection, site: int, since: datetime, until: datetime
) -> dict[tuple[str, str], list[Reading]]:
    """Give the raw samples of all series in [since, until), oldest first, by (place, kind)."""
    one = schema.series.c
    known = select(one.id, one.place, one.kind, one.quantum).where(one.site == site)
    lines = {row.id: (row.place, row.kind, row.quantum) for row in connection.execute(known)}
    asked = read.span(schema.samples, site, seconds(since), seconds(until)).order_by(schema.samples.c.key)
    found: dict[tuple[str, str], list[Reading]] = {}
    for row in connection.execute(asked):
        line = lines.get(series_of(row.key))
        if line is not None:
            place, kind, quantum = line
            found.setdefault((place, kind), []).append(Reading(moment(index_of(row.key)), measured(row.value, quantum)))
    return found
