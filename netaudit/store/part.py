"""The centre's tables in parts by time: an old month goes in an instant instead of row by row."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from sqlalchemy import Connection, Engine, text

from netaudit.store.engine import writing
from netaudit.store.key import DAY_S, HOUR_S, first_key

# table -> length of its period [s]. Days are few: their table needs no parts but the one for all.
PARTED: Final = (("samples", 1), ("hourly", HOUR_S))
# Months made ahead: a centre that is looked after once a quarter still has its part ready.
AHEAD: Final = 3


def month_after(at: datetime) -> datetime:
    """Give the first moment of the month after."""
    return datetime(at.year + at.month // 12, at.month % 12 + 1, 1, tzinfo=UTC)


def make_parts(engine: Engine, now_s: int, *, back: int = 0) -> list[str]:
    """
    Make the parts of this month and the next, and of `back` months before.

    A part can't be made over rows that the part for everything else holds already; such a month stays there.
    Returns:   the names of the parts that were made.
    """
    start = datetime.fromtimestamp(now_s, UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    for _ in range(back):
        start = datetime(start.year - (start.month == 1), (start.month - 2) % 12 + 1, 1, tzinfo=UTC)
    made = []
    for _ in range(back + AHEAD):
        end = month_after(start)
        for table, step_s in PARTED:
            name = f"{table}_{start:%Y_%m}"
            low, high = (first_key(int(at.timestamp()) // step_s) for at in (start, end))
            with writing(engine) as connection:
                if _make(connection, table, name, low, high):
                    made.append(name)
        start = end
    return made


def _make(connection: Connection, table: str, name: str, low: int, high: int) -> bool:
    if connection.scalar(text("SELECT to_regclass(:name)"), {"name": name}) is not None:
        return False
    held = text(f"SELECT 1 FROM {table}_other WHERE key >= :low AND key < :high LIMIT 1")  # noqa: S608 - our own names
    if connection.scalar(held, {"low": low, "high": high}) is not None:
        return False
    connection.execute(text(f"CREATE TABLE {name} PARTITION OF {table} FOR VALUES FROM ({low}) TO ({high})"))
    return True


def drop_parts(engine: Engine, now_s: int, raw_days: int, hourly_days: int | None) -> list[str]:
    """Drop the parts that end before what is kept. Only the owner of the tables can. Returns their names."""
    dropped = []
    for (table, _), days in zip(PARTED, (raw_days, hourly_days), strict=True):
        if days is None:
            continue
        kept_from = datetime.fromtimestamp(now_s - days * DAY_S, UTC)
        with writing(engine) as connection:
            found = connection.scalars(
                text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass(:table)"),
                {"table": table},
            ).all()
            for name in found:
                month = name.removeprefix(f"{table}_")
                if month != "other" and month_after(datetime.strptime(month, "%Y_%m").replace(tzinfo=UTC)) <= kept_from:
                    connection.execute(text(f"DROP TABLE {name}"))
                    dropped.append(name)
    return dropped
