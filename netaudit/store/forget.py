"""
Forgetting a device: everything that is kept of it goes, and its traces are overwritten in the file.

Its rows are deleted. Whole documents (baselines, certificates, plans) stay, with its MAC and its names blacked out, so
they may no longer have the SHA-256 under which they are kept. Older backups are files of their own: they still know it.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, Engine, Table, delete, func, insert, or_, select, update

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.engine import shown, writing
from netaudit.store.key import SERIES_BITS
from netaudit.store.retain import touch
from netaudit.store.trouble import told
from netaudit.store.upsert import next_rev

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy.sql.elements import ColumnElement

BLACKED_OUT: Final = "forgotten"
_HEX: Final = re.compile(r"[0-9a-f]{12}")
_MASK: Final = (1 << SERIES_BITS) - 1
# A name of one or two letters is found in every other word; blacking it out would spoil the document and tell nothing.
_SHORTEST: Final = 3


def mac_of(written: str) -> str:
    """
    Read a MAC in any of its spellings; lower case with colons comes out.

    Raises:    StoreError: it is none.
    """
    digits = re.sub(r"[:.\-\s]", "", written).lower()
    if not _HEX.fullmatch(digits):
        raise StoreError(f"{written}: is no MAC: write it as 02:00:00:00:00:01")
    return ":".join(digits[at : at + 2] for at in range(0, 12, 2))


def spellings(mac: str) -> list[str]:
    """Give the ways in which a MAC is written, lower case: colons, dashes, dots, bare."""
    digits = mac.replace(":", "")
    return [mac, mac.replace(":", "-"), ".".join(digits[at : at + 4] for at in range(0, 12, 4)), digits]


def forget(engine: Engine, site: int, mac: str, now_s: int) -> dict[str, int]:
    """
    Remove a device from everywhere in this store; if the store is shipped, the centre is told with the next shipment.

    Args:      mac: as `mac_of` gives it.
    Returns:   rows removed or changed by table, tables with none left out; empty: nothing was known of it.
    Raises:    StoreError: the database failed; nothing was removed then.
    """
    with told(shown(engine.url)):
        with writing(engine) as connection:
            if engine.dialect.name == "sqlite":
                # Overwrites what is deleted with zeros (https://sqlite.org/pragma.html, secure_delete).
                connection.exec_driver_sql("PRAGMA secure_delete=ON")
            changed = {name: count for name, count in forget_rows(connection, site, mac).items() if count}
            shipped = select(schema.marks.c.stream).where(
                schema.marks.c.site == site, schema.marks.c.stream.like("%>ship %")
            )
            if changed and connection.scalar(shipped.limit(1)) is not None:
                connection.execute(insert(schema.forgotten).values(site=site, mac=mac, at=now_s))
            touch(connection, site)
        if engine.dialect.name == "sqlite":
            # The log still holds the pages as they were.
            with engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
                connection.exec_driver_sql("BEGIN")
    return changed


def forget_rows(connection: Connection, site: int, mac: str) -> dict[str, int]:
    """Remove a device's rows in the transaction that is open; gives the rows removed or changed by table."""
    changed: dict[str, int] = {}
    device = schema.devices.c
    number = connection.scalar(select(device.id).where(device.site == site, device.mac == mac))
    names: list[str] = []
    if number is not None:
        called = schema.names.c
        names = list(connection.scalars(select(called.name).where(called.site == site, called.device == number)))
        for table in (schema.addresses, schema.names, schema.present, schema.presence):
            changed[table.name] = _delete(connection, table, site, table.c.device == number)
        changed["devices"] = _delete(connection, schema.devices, site, device.id == number)

    line = schema.series.c
    numbers = list(connection.scalars(select(line.id).where(line.site == site, _mentions([line.place], mac))))
    if numbers:
        for table in (schema.samples, schema.hourly, schema.daily):
            changed[table.name] = _delete(connection, table, site, table.c.key.op("&")(_MASK).in_(numbers))
        changed["series"] = _delete(connection, schema.series, site, line.id.in_(numbers))
    for table, words in (
        (schema.notices, ("place", "detail")),
        (schema.findings, ("key", "place", "text", "evidence", "reason")),
        (schema.outbox, ("key", "body")),
        (schema.health, ("source", "reason")),
    ):
        columns = [table.c[word] for word in words]
        changed[table.name] = _delete(connection, table, site, _mentions(columns, mac))
    for table in (schema.baselines, schema.certificates, schema.plans):
        changed[table.name] = _black_out(connection, table, site, mac, names)
    return changed


def _mentions(columns: Sequence[ColumnElement[str]], mac: str) -> ColumnElement[bool]:
    return or_(*(func.lower(column).contains(form, autoescape=True) for column in columns for form in spellings(mac)))


def _delete(connection: Connection, table: Table, site: int, where: ColumnElement[bool]) -> int:
    return connection.execute(delete(table).where(table.c.site == site, where)).rowcount


def _black_out(connection: Connection, table: Table, site: int, mac: str, names: list[str]) -> int:
    words = [re.escape(form) for form in spellings(mac)]
    words += [rf"(?<!\w){re.escape(name)}(?!\w)" for name in names if len(name) >= _SHORTEST]
    pattern = re.compile("|".join(words), re.IGNORECASE)
    key = next(column for column in table.primary_key if column.name != "site")
    changed = 0
    for row in connection.execute(select(key.label("name"), table.c.document).where(table.c.site == site)).all():
        blacked = pattern.sub(BLACKED_OUT, row.document)
        if blacked != row.document:
            connection.execute(
                update(table)
                .where(table.c.site == site, key == row.name)
                .values(document=blacked, rev=next_rev(connection, site))
            )
            changed += 1
    return changed
