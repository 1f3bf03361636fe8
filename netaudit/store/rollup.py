"""
Rolling samples up to hours and days.

A day is made from its samples, not from its hours: a percentile of percentiles is no percentile.
"""

from __future__ import annotations

from itertools import groupby
from math import ceil, fsum
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Engine, Table, select

from netaudit.store import schema
from netaudit.store.batch import LATE_S
from netaudit.store.engine import shown, writing
from netaudit.store.key import DAY_S, HOUR_S, SERIES_BITS, first_key, index_of, key_of
from netaudit.store.mark import begin, note_late, set_done
from netaudit.store.trouble import told
from netaudit.store.upsert import keyed_row, upsert

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

STEPS: Final = (("hourly", HOUR_S), ("daily", DAY_S))
_VALUES: Final = ("asked", "lost", "low", "mean", "p50", "p95", "high")


def nearest_rank(ordered: list[float], percent: int) -> float:
    """Give the value at the rank ceil(percent / 100 * n) of n ordered values: always one that was measured."""
    return ordered[max(0, ceil(percent * len(ordered) / 100) - 1)]


def describe(values: Iterable[float | None]) -> dict[str, float | None]:
    """
    Describe the samples of one period; None is one that was not answered.

    The mean is rounded to whole quanta when all values are whole, which keeps it as short as they are.
    """
    answered, lost = [], 0
    for value in values:
        if value is None:
            lost += 1
        else:
            answered.append(value)
    if not answered:
        return dict.fromkeys(_VALUES) | {"asked": lost, "lost": lost}
    answered.sort()
    mean = fsum(answered) / len(answered)
    return {
        "asked": len(answered) + lost,
        "lost": lost,
        "low": answered[0],
        "mean": float(round(mean)) if all(value == int(value) for value in answered) else mean,
        "p50": nearest_rank(answered, 50),
        "p95": nearest_rank(answered, 95),
        "high": answered[-1],
    }


def roll_up(engine: Engine, site: int, now_s: int) -> int:
    """
    Roll up every hour and day that is over and has new samples, each period in a transaction of its own.

    Returns:   the number of roll-ups written.
    Raises:    StoreError: the database failed; what was done is kept, the next call goes on there.
    """
    with told(shown(engine.url)):
        return sum(_roll(engine, site, schema.metadata.tables[name], step_s, now_s) for name, step_s in STEPS)


def _roll(engine: Engine, site: int, table: Table, step_s: int, now_s: int) -> int:
    stream = f"samples>{table.name}"
    last = (now_s - LATE_S) // step_s
    with writing(engine) as connection:
        index = (begin(connection, site, stream) or 0) // step_s
    written = 0
    while True:
        with writing(engine) as connection:
            found = _next(connection, site, index * step_s, last * step_s)
            if found is None:
                # Nothing was ever written before the first sample: no mark then, so no job seems to lag behind.
                if index:
                    set_done(connection, site, stream, max(index, last) * step_s)
                return written
            index = found // step_s
            rows = list(_rows(connection, site, index, step_s))
            connection.execute(upsert(connection.dialect.name, table, _VALUES), rows)
            note_late(connection, site, table.name, index * step_s)
            index += 1
            set_done(connection, site, stream, index * step_s)
        written += len(rows)


def _next(connection: Connection, site: int, since: int, until: int) -> int | None:
    sample = schema.samples.c
    first = select(sample.key).where(sample.site == site, sample.key >= first_key(since), sample.key < first_key(until))
    key = connection.scalar(first.order_by(sample.key).limit(1))
    return None if key is None else index_of(key)


def _rows(connection: Connection, site: int, index: int, step_s: int) -> Iterator[dict[str, Any]]:
    sample = schema.samples.c
    number = sample.key.op("&")((1 << SERIES_BITS) - 1)
    asked = (
        select(number.label("number"), sample.value)
        .where(
            sample.site == site,
            sample.key >= first_key(index * step_s),
            sample.key < first_key((index + 1) * step_s),
        )
        .order_by(number)
    )
    for series, rows in groupby(connection.execute(asked), key=lambda row: row.number):
        yield keyed_row(connection, site, {"key": key_of(index, series)} | describe(row.value for row in rows))
