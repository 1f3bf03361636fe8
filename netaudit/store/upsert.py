"""Statements that the two databases spell differently."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, Table, update
from sqlalchemy.dialects import postgresql, sqlite

from netaudit.store import schema

if TYPE_CHECKING:
    from collections.abc import Sequence


def upsert(dialect: str, table: Table, changes: Sequence[str]) -> sqlite.Insert | postgresql.Insert:
    """
    Build INSERT ... ON CONFLICT on the primary key.

    Args:      dialect: "sqlite" or "postgresql"; changes: columns to overwrite when the row is there; none: leave it.
    """
    insert = postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)
    if not changes:
        return insert.on_conflict_do_nothing()
    return insert.on_conflict_do_update(
        index_elements=key_columns(dialect, table), set_={name: insert.excluded[name] for name in changes}
    )


def key_columns(dialect: str, table: Table) -> list[str]:
    """Name the columns of the primary key; the keyed tables have the site in it at the centre only."""
    names = [column.name for column in table.primary_key]
    return names if "site" in names or dialect == "sqlite" else ["site", *names]


def placeholders(connection: Connection, count: int) -> str:
    """Give the driver's marks for so many values."""
    return ", ".join(["?" if connection.dialect.paramstyle == "qmark" else "%s"] * count)


def next_rev(connection: Connection, site: int) -> int:
    """Count one more write of this site's small tables and give its number."""
    one = schema.sites
    statement = update(one).where(one.c.id == site).values(rev=one.c.rev + 1).returning(one.c.rev)
    return int(connection.execute(statement).scalar_one())
