"""
Sending what is new to the centre: one PostgreSQL that holds many sites.

Every row is sent by its natural key, so sending it twice changes nothing, and a shipment may break off anywhere: how far
it came is noted here only after the centre has committed, which it does once, or once a chunk. Devices and series get their numbers from the centre, so a box
that lost its card and counts from one again does no harm. Memory is bounded by the chunk, not by what is to be sent.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sqlalchemy import BindParameter, Connection, Engine, bindparam, delete, select, text, update

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.batch import LATE_S
from netaudit.store.engine import address_of, connect, shown, writing
from netaudit.store.forget import forget_rows
from netaudit.store.key import DAY_S, HOUR_S, MAX_SERIES, first_key, index_of
from netaudit.store.mark import begin_all, set_all_done
from netaudit.store.migrate import HEAD, migrate, version_of
from netaudit.store.part import make_parts
from netaudit.store.trouble import told
from netaudit.store.upsert import upsert

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Table

# Rows sent in one transaction: 1.5 MB on the wire and some 10 MB here.
CHUNK: Final = 50_000
# How long to wait for the centre's locks: another shipment of the same site that broke off holds them no longer.
LOCK_MS: Final = 30_000
# Parts made for the past when a centre is begun: the thirteen months of hours that a box may bring with it.
BACK_MONTHS: Final = 13

# Columns of roll-ups that count, whatever the step of the values.
_COUNTS: Final = ("asked", "lost")
_ARRAYS: Final = {True: "integer[]", False: "float8[]"}
_KEYED: Final = (("samples", 1, LATE_S), ("hourly", HOUR_S, 0), ("daily", DAY_S, 0))
# table -> what names a row in the world, without the site and with the device's own number in its place.
_SMALL: Final[tuple[tuple[Table, tuple[str, ...]], ...]] = (
    (schema.addresses, ("device", "segment", "address")),
    (schema.names, ("device", "name", "origin")),
    (schema.notices, ("kind", "place", "detail")),
    (schema.health, ("source", "since")),
    (schema.findings, ("key", "opened_at")),
    (schema.baselines, ("name",)),
    (schema.certificates, ("sha256",)),
    (schema.plans, ("sha256",)),
)


# What is asked of the box, made once: making a statement takes as long as asking it.
_HERE: Final[BindParameter[int]] = bindparam("site")
_REV: Final = select(schema.sites.c.rev).where(schema.sites.c.id == _HERE)
_FRESH: Final = {
    table: select(table).where(table.c.site == _HERE, table.c.rev > bindparam("since"))
    for table in (schema.devices, *(table for table, _ in _SMALL))
}
_PRESENT: Final = select(schema.present).where(schema.present.c.site == _HERE)
_MACS: Final = select(schema.devices.c.id, schema.devices.c.mac).where(schema.devices.c.site == _HERE)
_FORGOTTEN: Final = select(schema.forgotten.c.mac).where(schema.forgotten.c.site == _HERE)
_SERIES: Final = select(
    schema.series.c.id, schema.series.c.place, schema.series.c.kind, schema.series.c.quantum, schema.series.c.rev
).where(schema.series.c.site == _HERE)


class _Known(NamedTuple):
    """The centre's number and step of a series."""

    number: int
    quantum: float


class _There(NamedTuple):
    """The centre's number of a series, and by what a value is multiplied there."""

    number: int
    factor: float


class _Shipment:
    """One shipment of one site, over one connection `far`."""

    def __init__(self, here: Engine, far: Connection, *, centre: str, site: int, far_site: int, now_s: int) -> None:
        self.here = here
        self.far = far
        self.site = site
        self.far_site = far_site
        self.now_s = now_s
        self.centre = centre
        self.sent: dict[str, int] = {}
        self._since: dict[str, int] = {}
        self._done: dict[str, int] = {}

    def run(self) -> dict[str, int]:
        """Send everything, the oldest duty first."""
        self._lock()
        self._forgotten()
        with writing(self.here, lazily=True) as near:
            tables = ("small", "presence", *(name for name, *_ in _KEYED))
            begun = begin_all(near, self.site, [self._stream(table) for table in tables])
            self._since = {table: begun.get(self._stream(table), 0) for table in tables}
        self._presence(self._small())
        lines = self._lines()
        for name, step_s, settle_s in _KEYED:
            self._keyed(name, step_s, settle_s, lines)
        self._keep()
        return {name: count for name, count in self.sent.items() if count}

    def _stream(self, table: str) -> str:
        return f"{table}>ship {self.centre}"

    def _lock(self) -> None:
        # One shipment of a site at a time; numbers are given out below this lock, which goes with the transaction.
        asked = text("SELECT set_config('lock_timeout', :ms, true), pg_advisory_xact_lock(:site)")
        self.far.execute(asked, {"ms": str(LOCK_MS), "site": self.far_site})

    def _keep(self) -> None:
        """Commit there, wait until that is on its disk, and only then note here how far it came."""
        self.far.commit()
        if self._done:
            # A mark that a power cut takes back costs nothing but sending the same again.
            with writing(self.here, lazily=True) as near:
                set_all_done(near, self.site, self._done)
        self._done.clear()

    def _keep_chunk(self) -> None:
        self._keep()
        self._lock()

    def _forgotten(self) -> None:
        one = schema.forgotten.c
        with self.here.connect() as near:
            macs = list(near.scalars(_FORGOTTEN, {"site": self.site}))
        for mac in macs:
            forget_rows(self.far, self.far_site, mac)
            self._keep_chunk()
            with writing(self.here) as near:
                near.execute(delete(schema.forgotten).where(one.site == self.site, one.mac == mac))
        self.sent["forgotten"] = len(macs)

    # -- tables that are small enough to be read whole

    def _small(self) -> dict[int, int]:
        """Send them; give the centre's number of each device by its number here."""
        stream, since = self._stream("small"), self._since["small"]
        # In one transaction: what is written meanwhile has a higher number and goes with the next shipment.
        with self.here.connect() as near:
            here = {"site": self.site}
            newest = int(near.scalar(_REV, here) or 0)
            fresh = {
                table: near.execute(asked, here | {"since": since}).mappings().all() for table, asked in _FRESH.items()
            }
            present = near.execute(_PRESENT, here).mappings().all()
            known = {row.id: row.mac for row in near.execute(_MACS, here)}
        self._numbered(schema.devices, ("mac",), fresh[schema.devices], ("last_at", "rev"))
        numbers = self._device_numbers(known)
        for table, natural in _SMALL:
            rows = [
                {**row, "device": numbers[row["device"]]} if "device" in row else dict(row)
                for row in fresh[table]
                if "device" not in row or row["device"] in numbers
            ]
            self.sent[table.name] = len(rows)
            if "id" in table.c:
                changes = tuple(column.name for column in table.c if column.name not in {"site", "id", *natural})
                self._numbered(table, natural, rows, changes)
            elif rows:
                changes = tuple(column.name for column in table.c if not column.primary_key)
                self.far.execute(upsert("postgresql", table, changes), [row | {"site": self.far_site} for row in rows])
        self.far.exec_driver_sql("DELETE FROM present WHERE site = %s", (self.far_site,))
        rows = [
            {**row, "site": self.far_site, "device": numbers[row["device"]]}
            for row in present
            if row["device"] in numbers
        ]
        self._add(schema.present, rows)
        self.sent["devices"] = len(fresh[schema.devices])
        if newest > since:
            self._done[stream] = newest
        return numbers

    def _numbered(self, table: Table, natural: tuple[str, ...], rows: Sequence[Any], changes: tuple[str, ...]) -> None:
        """Write rows whose numbers the centre gives out, found again by what names them in the world."""
        if not rows:
            return
        columns = [table.c[name] for name in natural]
        there = {
            tuple(row[:-1]): row[-1]
            for row in self.far.execute(select(*columns, table.c.id).where(table.c.site == self.far_site))
        }
        number = max(there.values(), default=0)
        if table is schema.findings:
            self._close_lost(rows)
        new = []
        for row in rows:
            name = tuple(row[part] for part in natural)
            if name in there:
                here = (table.c.site == self.far_site, table.c.id == there[name])
                self.far.execute(update(table).where(*here).values({change: row[change] for change in changes}))
            else:
                number += 1
                there[name] = number
                new.append({**row, "site": self.far_site, "id": number})
        self._add(table, new)

    def _add(self, table: Table, rows: list[dict[str, Any]]) -> None:
        # As one document: row by row, a first shipment would wait for the centre once for each of its series.
        if rows:
            given = f"INSERT INTO {table.name} SELECT * FROM json_populate_recordset(NULL::{table.name}, %s)"  # noqa: S608 - our own words
            self.far.exec_driver_sql(given, (json.dumps(rows),))

    def _close_lost(self, rows: Sequence[Any]) -> None:
        # A box that lost its card opens again what is open at the centre still: that one ended when nobody knows; now.
        one = schema.findings.c
        for row in rows:
            if row["closed_at"] is None:
                other = (one.site == self.far_site, one.key == row["key"], one.opened_at != row["opened_at"])
                self.far.execute(
                    update(schema.findings).where(*other, one.closed_at.is_(None)).values(closed_at=row["opened_at"])
                )

    def _device_numbers(self, known: dict[int, str]) -> dict[int, int]:
        asked = self.far.exec_driver_sql("SELECT mac, id FROM devices WHERE site = %s", (self.far_site,))
        there: dict[str, int] = {mac: number for mac, number in asked}  # noqa: C416 - rows, not pairs, to the type checker
        return {number: there[mac] for number, mac in known.items() if mac in there}

    # -- tables in the order of time, in chunks

    def _presence(self, numbers: dict[int, int]) -> None:
        stream, since, one = self._stream("presence"), self._since["presence"], schema.presence.c
        while True:
            asked = select(schema.presence).where(one.site == self.site, one.until >= since)
            with self.here.connect() as near:
                found = near.execute(asked.order_by(one.until, one.device, one.segment).limit(CHUNK)).mappings().all()
            rows = [
                {**row, "site": self.far_site, "device": numbers[row["device"]]}
                for row in found
                if row["device"] in numbers
            ]
            if rows:
                self.far.execute(upsert("postgresql", schema.presence, ("since",)), rows)
            self._count("presence", len(rows))
            since = self.now_s if len(found) < CHUNK else found[-1]["until"]
            if found:
                self._done[stream] = since
            if len(found) < CHUNK:
                return
            self._keep_chunk()

    def _lines(self) -> dict[int, _There]:
        """Make every series known at the centre; give its number and factor there, by its number here."""
        with self.here.connect() as near:
            rows = near.execute(_SERIES, {"site": self.site}).all()
        asked = self.far.exec_driver_sql(
            "SELECT kind, place, id, quantum FROM series WHERE site = %s", (self.far_site,)
        )
        there = {(kind, place): _Known(number, quantum) for kind, place, number, quantum in asked}
        last = max((known.number for known in there.values()), default=0)
        new = []
        for _, place, kind, quantum, rev in rows:
            if (kind, place) not in there:
                last += 1
                there[kind, place] = _Known(last, quantum)
                row = {"site": self.far_site, "id": last, "place": place, "kind": kind, "quantum": quantum, "rev": rev}
                new.append(row)
        self._add(schema.series, new)
        lines = {}
        for number, place, kind, quantum, _ in rows:
            known = there[kind, place]
            # 0 says "as it is" (see unit.py): then the step is 1.
            lines[number] = _There(known.number, (quantum or 1.0) / (known.quantum or 1.0))
        return lines

    def _keyed(self, name: str, step_s: int, settle_s: int, lines: dict[int, _There]) -> None:
        stream, table = self._stream(name), schema.metadata.tables[name]
        columns = [column.name for column in table.c if column.name not in {"site", "key"}]
        key, end = first_key(self._since[name] // step_s), first_key((self.now_s - settle_s) // step_s)
        while key < end:
            with self.here.connect() as near:
                count, low, high, *arrays = near.exec_driver_sql(_arrays_of(name, columns), (key, end, CHUNK)).one()
            if count:
                self._insert(name, columns, arrays, span=(index_of(low), index_of(high) + 1), lines=lines)
                self._count(name, count)
            key = end if count < CHUNK else high + 1
            # Where nothing was sent the mark stays: looking at an empty span again costs less than a write to the card.
            if count:
                self._done[stream] = index_of(key) * step_s
            if count == CHUNK:
                self._keep_chunk()

    def _insert(
        self, name: str, columns: list[str], arrays: list[str], *, span: tuple[int, int], lines: dict[int, _There]
    ) -> None:
        # An array a column: one statement, where COPY, which is not allowed under row security and can't say
        # ON CONFLICT, needs a table to go by. Measured, 50,000 rows: 196 ms so, 250 to 280 ms by way of a table.
        names = ", ".join(["key", *columns])
        arrays_of = {"key": "bigint[]"} | {column: _ARRAYS[column in _COUNTS] for column in columns}
        marks = ", ".join(f"unnest(%s::{kind}) AS {column}" for column, kind in arrays_of.items())
        # Beside SELECT and not in FROM: there the server would put all rows aside first.
        there, source = names, f"(SELECT {marks}) AS incoming"
        given: list[Any] = [self.far_site, *arrays]
        # Where every series has the number and the step there that it has here, rows go as they are.
        if any(line != (number, 1.0) for number, line in lines.items()):
            source += " JOIN unnest(%s::integer[], %s::integer[], %s::float8[]) AS lines (here, number, factor)"
            source += f" ON here = (key & {MAX_SERIES})"
            given += [list(lines), [line.number for line in lines.values()], [line.factor for line in lines.values()]]
            scaled = [f"{column} * factor" if column not in _COUNTS else column for column in columns]
            there = ", ".join([f"key - (key & {MAX_SERIES}) + number", *scaled])
        insert = f"INSERT INTO {name} AS one (site, {names}) SELECT %s, {there} FROM {source}"  # noqa: S608 - our words
        driver: Any = self.far.connection.driver_connection
        cursor = driver.cursor()
        # Under our lock nobody else writes this span: where it is empty nothing can clash, and looking for a clash
        # row by row would take as long as the writing.
        looked = f"SELECT 1 FROM {name} WHERE site = %s AND key >= %s AND key < %s LIMIT 1"  # noqa: S608 - our words
        cursor.execute(looked, [self.far_site, first_key(span[0]), first_key(span[1])])
        if cursor.fetchone() is not None:
            changes = ", ".join(f"{column} = excluded.{column}" for column in columns)
            old, new = (", ".join(f"{row}.{column}" for column in columns) for row in ("one", "excluded"))
            insert += f" ON CONFLICT (site, key) DO UPDATE SET {changes} WHERE ({old}) IS DISTINCT FROM ({new})"
        # Not prepared: the plan is made with the arrays seen, and so for as many rows as there are.
        cursor.execute(insert, given, prepare=False)
        cursor.close()

    def _count(self, name: str, rows: int) -> None:
        self.sent[name] = self.sent.get(name, 0) + rows


def _arrays_of(name: str, columns: list[str]) -> str:
    """
    Ask SQLite for a chunk as PostgreSQL reads it: count, lowest and highest key, and of each column an array as text.

    Made there, a row costs a third of what it costs as a tuple of Python's. 17 digits give back every double; most are
    whole (see unit.py), and those are written in half the time.
    """
    whole = "CASE WHEN {0} IS NULL THEN 'NULL' WHEN {0} = CAST({0} AS INTEGER) THEN CAST({0} AS INTEGER) "
    word = whole + "ELSE printf('%!.17g', {0}) END"
    words = [column if column in _COUNTS else word.format(column) for column in columns]
    arrays = ", ".join(f"'{{' || group_concat({word}) || '}}'" for word in ["key", *words])
    return (
        f"SELECT count(*), min(key), max(key), {arrays} "  # noqa: S608 - our own words
        f"FROM (SELECT * FROM {name} WHERE key >= ? AND key < ? ORDER BY key LIMIT ?)"
    )


def _far_site(far: Connection, name: str) -> int:
    """Find the site at the centre; only the owner of its tables may make one."""
    if version_of(far) != HEAD:
        raise StoreError(
            f"the centre has schema {version_of(far)}, this program knows {HEAD}: "
            "as the centre's owner run `netaudit store ship --admit ROLE` with the newest program, and update the box"
        )
    number = far.exec_driver_sql("SELECT id FROM sites WHERE name = %s", (name,)).scalar()
    if number is None:
        raise StoreError(
            f"the centre doesn't let this role write the site {name}: "
            "as its owner run `netaudit store ship --admit ROLE` once for this site"
        )
    return int(number)


def ship(here: Engine, centre: str, *, site: int, name: str, now_s: int) -> dict[str, int]:
    """
    Send what is new since the last shipment to this centre.

    Args:      here: the store of the box; centre: `postgresql://role@host/database`; site: the site's number here;
               name: its name at the centre.
    Returns:   rows sent by table, tables with none left out.
    Raises:    StoreError: either database failed; what was sent stays sent, the next shipment goes on there.
    """
    url = address_of(centre)
    if url.get_backend_name() != "postgresql":
        raise StoreError(f"{centre}: the centre is a PostgreSQL: write postgresql://role@host/database")
    if here.dialect.name != "sqlite":
        raise StoreError(f"{shown(here.url)}: is a centre itself: ship from the file of a box")
    there = connect(url)
    try:
        with told(f"{shown(here.url)} to {shown(url)}"), there.connect() as far:
            address = f"{url.host or url.query.get('host', '')}/{url.database}"
            far_site = _far_site(far, name)
            return _Shipment(here, far, centre=address, site=site, far_site=far_site, now_s=now_s).run()
    finally:
        there.dispose()


def admit(centre: str, name: str, role: str, now_s: int) -> None:
    """
    As the centre's owner: make its tables if need be, and let this role write this site's rows and no others.

    Raises:    StoreError: no such role, a role that writes another site already, or not the owner.
    """
    url = address_of(centre)
    if url.get_backend_name() != "postgresql":
        raise StoreError(f"{centre}: the centre is a PostgreSQL: write postgresql://owner@host/database")
    engine = connect(url)
    quoted = engine.dialect.identifier_preparer.quote(role)
    try:
        with told(shown(url)):
            migrate(engine)
            make_parts(engine, now_s, back=BACK_MONTHS)
            with writing(engine) as far:
                far.execute(upsert("postgresql", schema.sites, ()), {"name": name})
                far.execute(update(schema.sites).where(schema.sites.c.name == name).values(role=role))
                far.execute(text(f"GRANT SELECT ON sites, alembic_version TO {quoted}"))
                # Counted up when documents are blacked out; the name, number and role of a site are not the box's.
                far.execute(text(f"GRANT UPDATE (rev, generation) ON sites TO {quoted}"))
                private = ", ".join(table for table in schema.metadata.tables if table != "sites")
                far.execute(text(f"GRANT SELECT, INSERT, UPDATE, DELETE ON {private} TO {quoted}"))
    finally:
        engine.dispose()
