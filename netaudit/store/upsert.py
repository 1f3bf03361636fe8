"""Statements that the two databases spell differently."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Table, update
from sqlalchemy.dialects import sqlite

from netaudit.store import schema

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy.dialects import postgresql

# Samples in one statement. A statement costs SQLite and its driver as much as a row does: measured, a row took 0.54 us of
# the processor alone, 0.29 among 50, 0.26 among 250. What is left over goes one by one, so no more than is worth it.
TOGETHER: Final = 50
_INSERT: Final = "INSERT INTO samples (key, value) VALUES {} ON CONFLICT (key) DO UPDATE SET value = excluded.value"


def upsert(dialect: str, table: Table, changes: Sequence[str]) -> sqlite.Insert | postgresql.Insert:
    """
    Build INSERT ... ON CONFLICT on the primary key.

    Args:      dialect: "sqlite" or "postgresql"; changes: columns to overwrite when the row is there; none: leave it.
    """
    insert: sqlite.Insert | postgresql.Insert
    if dialect == "postgresql":
        from sqlalchemy.dialects import postgresql  # noqa: PLC0415 - 2 MB that a watch with its own file doesn't need

        insert = postgresql.insert(table)
    else:
        insert = sqlite.insert(table)
    if not changes:
        return insert.on_conflict_do_nothing()
    return insert.on_conflict_do_update(
        index_elements=key_columns(dialect, table), set_={name: insert.excluded[name] for name in changes}
    )


def key_columns(dialect: str, table: Table) -> list[str]:
    """Name the columns of the primary key; the keyed tables have the site in it at the centre only."""
    names = [column.name for column in table.primary_key]
    return names if "site" in names or dialect == "sqlite" else ["site", *names]


def put_samples(connection: Connection, site: int, values: dict[int, float | None]) -> None:
    """
    Write the values by key past SQLAlchemy's own processing of each row, which would halve the speed.

    What is there at a key gives way. In the order of keys, so that SQLite appends.
    """
    keys = sorted(values)
    if connection.dialect.name != "sqlite":
        text = (
            f"INSERT INTO samples (site, key, value) VALUES ({int(site)}, %s, %s) "  # noqa: S608 - a whole number
            "ON CONFLICT (site, key) DO UPDATE SET value = excluded.value"
        )
        connection.exec_driver_sql(text, [(key, values[key]) for key in keys])
        return
    many = len(keys) - len(keys) % TOGETHER
    flat: list[float | None] = [None] * (2 * many)
    flat[::2] = keys[:many]
    flat[1::2] = map(values.__getitem__, keys[:many])
    if many:
        groups = [tuple(flat[first : first + 2 * TOGETHER]) for first in range(0, len(flat), 2 * TOGETHER)]
        connection.exec_driver_sql(_INSERT.format(", ".join(["(?, ?)"] * TOGETHER)), groups)
    if keys[many:]:
        connection.exec_driver_sql(_INSERT.format("(?, ?)"), [(key, values[key]) for key in keys[many:]])


def keyed_row(connection: Connection, site: int, row: dict[str, Any]) -> dict[str, Any]:
    """Give a row of a roll-up with its site, where that is not computed."""
    return row if connection.dialect.name == "sqlite" else row | {"site": site}


def next_rev(connection: Connection, site: int) -> int:
    """Count one more write of this site's small tables and give its number."""
    one = schema.sites
    statement = update(one).where(one.c.id == site).values(rev=one.c.rev + 1).returning(one.c.rev)
    return int(connection.execute(statement).scalar_one())
