"""Whole documents as they were given: baselines by name, certificates and plans by the SHA-256 of their text."""

from __future__ import annotations

from hashlib import sha256
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Table, select

from netaudit.store.moment import moment, seconds
from netaudit.store.records import Document
from netaudit.store.upsert import next_rev, upsert

if TYPE_CHECKING:
    from datetime import datetime


def save_named(connection: Connection, site: int, table: Table, *, name: str, document: str, at: datetime) -> None:
    """Keep a document under its name, in the place of an older one."""
    row = {"site": site, "name": name, "at": seconds(at), "document": document, "rev": next_rev(connection, site)}
    connection.execute(upsert(connection.dialect.name, table, ("at", "document", "rev")), row)


def save_hashed(connection: Connection, site: int, table: Table, document: str, at: datetime) -> str:
    """Keep a document under the SHA-256 of its text; the same text again changes nothing. Returns the hash."""
    digest = sha256(document.encode()).hexdigest()
    known = select(table.c.sha256).where(table.c.site == site, table.c.sha256 == digest)
    if connection.scalar(known) is None:
        row = {"site": site, "sha256": digest, "at": seconds(at), "document": document}
        connection.execute(table.insert().values(**row, rev=next_rev(connection, site)))
    return digest


def save_version(connection: Connection, site: int, table: Table, document: str, at: datetime) -> str:
    """
    Keep a document as the one that holds from now on; nothing is written while it holds already. Returns its hash.

    One that held before and holds again takes the new moment: else an older one would seem to hold.
    """
    digest = sha256(document.encode()).hexdigest()
    holding = _latest(connection, site, table)
    if holding is None or holding.sha256 != digest:
        row = {"site": site, "sha256": digest, "at": seconds(at), "document": document}
        fresh = upsert(connection.dialect.name, table, ("at", "rev"))
        connection.execute(fresh, row | {"rev": next_rev(connection, site)})
    return digest


def latest(connection: Connection, site: int, table: Table) -> Document | None:
    """Give the document that holds now; None before there was one."""
    found = _latest(connection, site, table)
    if found is None:
        return None
    text = connection.scalar(select(table.c.document).where(table.c.site == site, table.c.sha256 == found.sha256))
    return None if text is None else Document(found.sha256, moment(found.at), text)


def _latest(connection: Connection, site: int, table: Table) -> Any:  # noqa: ANN401 - a row of hash and moment, or None
    one = table.c
    # Two of one second: the later write. A box that lost its card counts its writes from one again, but not its time.
    asked = select(one.sha256, one.at).where(one.site == site).order_by(one.at.desc(), one.rev.desc())
    return connection.execute(asked.limit(1)).first()


def named(connection: Connection, site: int, table: Table, name: str) -> Document | None:
    """Give the document that is kept under a name; None if there is none."""
    one = table.c
    row = connection.execute(select(one.at, one.document).where(one.site == site, one.name == name)).one_or_none()
    return None if row is None else Document(name, moment(row.at), row.document)


def names(connection: Connection, site: int, table: Table) -> list[tuple[str, datetime]]:
    """List the names under which documents are kept, and since when, the oldest first; reads none of the documents."""
    one = table.c
    asked = select(one.name, one.at).where(one.site == site).order_by(one.at, one.name)
    return [(row.name, moment(row.at)) for row in connection.execute(asked)]


def documents(connection: Connection, site: int, table: Table) -> list[Document]:
    """Give all documents of a table, oldest first."""
    key = next(column for column in table.primary_key if column.name != "site")
    asked = select(key.label("name"), table.c.at, table.c.document).where(table.c.site == site)
    return [
        Document(row.name, moment(row.at), row.document) for row in connection.execute(asked.order_by(table.c.at, key))
    ]
