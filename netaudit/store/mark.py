"""
How far a job has come through a table that is keyed by time, and what was written behind its back since.

A stream is named `table>job`. `done` is the moment up to which all is done; `late` the earliest moment that was written
later than usual since the job last began. Beginning folds `late` into `done`, in one transaction: whatever happens then,
the job goes over those rows again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, or_, select, update

from netaudit.store import schema
from netaudit.store.upsert import upsert

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def begin(connection: Connection, site: int, stream: str) -> int | None:
    """Give the moment from which there is something to do [s since 1970]; None if the job never ran."""
    return begin_all(connection, site, [stream]).get(stream)


def begin_all(connection: Connection, site: int, streams: Sequence[str]) -> dict[str, int]:
    """Give for each of several jobs the moment from which there is something to do; those that never ran are not in it."""
    mark = schema.marks.c
    asked = select(mark.stream, mark.done, mark.late).where(mark.site == site, mark.stream.in_(streams))
    rows = connection.execute(asked).all()
    begun = {row.stream: int(row.done if row.late is None else min(row.done, row.late)) for row in rows}
    for row in rows:
        if row.late is not None:
            here = (mark.site == site) & (mark.stream == row.stream)
            connection.execute(update(schema.marks).where(here).values(done=begun[row.stream], late=None))
    return begun


def set_done(connection: Connection, site: int, stream: str, done: int) -> None:
    """Note that all is done up to this moment [s since 1970], save what was written late meanwhile."""
    set_all_done(connection, site, {stream: done})


def set_all_done(connection: Connection, site: int, done: Mapping[str, int]) -> None:
    """Note for each of several jobs how far all is done."""
    statement = upsert(connection.dialect.name, schema.marks, ("done",))
    connection.execute(statement, [{"site": site, "stream": stream, "done": at} for stream, at in done.items()])


def note_late(connection: Connection, site: int, table: str, at: int) -> None:
    """Note for every job over this table that something was written at a moment which it may have passed."""
    mark = schema.marks.c
    connection.execute(
        update(schema.marks)
        .where(mark.site == site, mark.stream.startswith(f"{table}>"), or_(mark.late.is_(None), mark.late > at))
        .values(late=at)
    )


def needed_from(connection: Connection, site: int, table: str, jobs: Sequence[str]) -> int | None:
    """Give the moment from which one of these jobs still needs this table [s since 1970]; None if one never ran."""
    mark = schema.marks.c
    streams = [f"{table}>{job}" for job in jobs]
    rows = connection.execute(select(mark.done, mark.late).where(mark.site == site, mark.stream.in_(streams))).all()
    if len(rows) < len(streams):
        return None
    return min(int(row.done if row.late is None else min(row.done, row.late)) for row in rows)
