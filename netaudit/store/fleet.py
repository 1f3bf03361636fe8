"""
Reading many sites: from one PostgreSQL that boxes ship to, from one file, or from a folder with a file of each site.

Nothing is written: PostgreSQL is told so for each transaction, files are opened as they are and for reading only. What can't
be read is listed with the reason; the others are read all the same.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from sqlalchemy import URL, Connection, Engine, NullPool, Select, case, create_engine, event, func, select, text

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.engine import BUSY_MS, address_of, connect, shown, writing
from netaudit.store.key import DAY_S, HOUR_S, first_key, index_of
from netaudit.store.migrate import HEAD, version_of
from netaudit.store.moment import moment, seconds
from netaudit.store.retain import Keep
from netaudit.store.stay import usual_tolerance
from netaudit.store.store import Store
from netaudit.store.trouble import told
from netaudit.store.write import Writer

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime
    from types import TracebackType

    from netaudit.store.store import Clock

# A box whose clock runs ahead by more than this is not believed when it says how late it is.
AHEAD_S: Final = HOUR_S
# A question to the centre may take so long, waiting for locks included; then who asked is told so, and those behind are not
# held up for good. The longest, the list of 10,000 sites, took 1.7 s (docs/fleet.md).
ANSWER_MS: Final = 30_000
# Numbers of sites are PostgreSQL's integers, of 31 bits; nine digits are all of them that boxes will ever fill.
_NUMBER: Final = re.compile(r"[0-9]{1,9}", re.ASCII)
_OTHERS: Final = re.compile(r"[^0-9A-Za-z]+")


@dataclass(frozen=True, slots=True)
class News:
    """
    What is known of one site without reading its plan.

    key       names the site within its fleet, in letters, digits and dashes
    heard_at  the latest moment of anything that its box saw; None if there is nothing
    open      rule -> open findings that nobody has acknowledged or muted; quiet: the number of those that somebody has
    trouble   why it can't be read; then nothing else is known
    """

    key: str
    name: str
    heard_at: datetime | None = None
    devices: int = 0
    open: Mapping[str, int] = field(default_factory=dict)
    quiet: int = 0
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Shelf:
    """One database; `name` is empty for a PostgreSQL, whose sites go by their numbers, and else names a file's only site."""

    engine: Engine
    where: str
    name: str

    def key(self, number: int) -> str:
        """Name a site."""
        return self.name or str(number)


class Fleet:
    """
    The sites of a store, for reading. Open it with `Fleet.open`; it may be used from several threads.

    A folder is looked at anew each time: a file that was laid there meanwhile is found.
    """

    def __init__(self, clock: Clock, shelves: list[_Shelf], folder: Path | None = None) -> None:
        self._clock = clock
        self._shelves = shelves
        self._folder = folder

    @classmethod
    def open(cls, url_or_path: str, *, clock: Clock) -> Self:
        """
        Open `postgresql://role@host/database`, the file of a store, or a folder with such files, named `....db`.

        Raises:    StoreError: it is none of these, or what a PostgreSQL needs isn't installed.
        """
        url = address_of(url_or_path)
        if url.get_backend_name() != "sqlite":
            engine = connect(url)
            event.listen(engine, "connect", _only_read)
            return cls(clock, [_Shelf(engine, shown(url), "")])
        path = Path(url.database or "")
        if path.is_dir():
            return cls(clock, [], path)
        if not path.is_file():
            raise StoreError(f"{path}: is not there; name a PostgreSQL, the file of a store or a folder of such files")
        return cls(clock, [_file(path, set())])

    def close(self) -> None:
        """Let go of all databases."""
        for shelf in self._shelves:
            shelf.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def news(self) -> list[News]:
        """
        List all sites by name, as far as they can be read.

        Raises:    StoreError: the PostgreSQL can't be read; of a folder what can't be read is told of each file.
        """
        found: list[News] = []
        for shelf in self._all():
            try:
                found += self._read(shelf)
            except StoreError as error:
                if not shelf.name:
                    raise
                found.append(News(shelf.name, shelf.name, trouble=str(error)))
        return sorted(found, key=lambda one: (one.name.lower(), one.key))

    def one(self, key: str) -> News | None:
        """
        Tell of one site; None if there is none of this key.

        Raises:    StoreError: it can't be read.
        """
        for shelf, number, name in self._named(key):
            with told(shelf.where), shelf.engine.connect() as connection:
                return next(iter(_news(connection, {number: (key, name)}, seconds(self._clock()))), None)
        return None

    def store(self, key: str) -> Store:
        """
        Give a site's store, for reading; it lives as long as the fleet.

        Raises:    StoreError: there is no such site, or it can't be read.
        """
        for shelf, number, name in self._named(key):
            # The writer is asked for what it has not written yet: nothing.
            writer = Writer(shelf.engine, site=number, tolerance=usual_tolerance, keep_raw=timedelta(0))
            return Store(shelf.engine, number, name=name, clock=self._clock, keep=Keep(), writer=writer)
        raise StoreError(f"there is no site {key} in this store")

    def _all(self) -> list[_Shelf]:
        if self._folder is not None:
            with told(str(self._folder)):
                files = sorted(one for one in self._folder.glob("*.db") if one.is_file())
            known = {shelf.where: shelf for shelf in self._shelves}
            names: set[str] = set()
            self._shelves = [_file(path, names, known.get(path.name)) for path in files]
        return self._shelves

    def _named(self, key: str) -> Iterator[tuple[_Shelf, int, str]]:
        for shelf in self._all():
            if not (key == shelf.name if shelf.name else _NUMBER.fullmatch(key)):
                continue
            # At a centre the key is the site's number: to find one of ten thousand, the others need not be read.
            for found, name in self._sites(shelf, None if shelf.name else int(key)).items():
                if shelf.key(found) == key:
                    yield shelf, found, name

    def _sites(self, shelf: _Shelf, number: int | None = None) -> dict[int, str]:
        with told(shelf.where), shelf.engine.connect() as connection:
            found = version_of(connection)
            if found != HEAD:
                raise StoreError(
                    f"{shelf.where}: has schema {found}, this program knows {HEAD}: let the box's or centre's own program "
                    "bring it there, or update this one"
                )
            one = schema.sites.c
            asked = select(one.id, one.name)
            rows = connection.execute(asked if number is None else asked.where(one.id == number))
            sites = {row.id: row.name for row in rows}
        if shelf.name and len(sites) > 1:
            # None that we wrote: a second site's key could be that of another file.
            raise StoreError(f"{shelf.where}: has {len(sites)} sites; the file of a box has one")
        return sites

    def _read(self, shelf: _Shelf) -> list[News]:
        sites = self._sites(shelf)
        named = {number: (shelf.key(number), name) for number, name in sites.items()}
        with told(shelf.where), shelf.engine.connect() as connection:
            return _news(connection, named, seconds(self._clock()))


def _news(connection: Connection, sites: Mapping[int, tuple[str, str]], now_s: int) -> list[News]:
    """Tell of these sites in a few questions, each asked of all of them at once."""
    alone = next(iter(sites)) if len(sites) == 1 else None
    devices: dict[int, int] = _by_site(connection, schema.devices, func.count(), alone)
    last: dict[int, list[int]] = {number: [] for number in sites}
    for table in (schema.present, schema.health):
        # A box may write what it likes into its own rows: no moment of theirs may be one that no calendar has.
        sane = func.max(case((table.c.until.between(0, now_s + AHEAD_S), table.c.until), else_=None))
        for number, until in _by_site(connection, table, sane, alone).items():
            last.setdefault(number, []).append(until)
    for number, key in connection.execute(_newest_sample(now_s, alone)):
        if key is not None:
            last.setdefault(number, []).append(index_of(key))
    one = schema.findings.c
    quiet = one.acknowledged_at.is_not(None) | (func.coalesce(one.muted_until, 0) > now_s)
    asked = select(one.site, one.rule, case((quiet, 1), else_=0).label("quiet"), func.count().label("times"))
    asked = asked.where(one.closed_at.is_(None)).group_by(one.site, one.rule, "quiet")
    findings: dict[int, Counter[str]] = {number: Counter() for number in sites}
    quieted: Counter[int] = Counter()
    for row in connection.execute(asked if alone is None else asked.where(one.site == alone)):
        if row.quiet:
            quieted[row.site] += row.times
        elif row.site in findings:
            findings[row.site][row.rule] += row.times
    return [
        News(
            key,
            name,
            moment(max(last[number])) if any(last[number]) else None,
            devices.get(number, 0),
            dict(findings[number]),
            quieted[number],
        )
        for number, (key, name) in sites.items()
    ]


def _by_site(connection: Connection, table: Any, wanted: Any, alone: int | None) -> dict[int, int]:  # noqa: ANN401 - SQL
    asked = select(table.c.site, wanted.label("wanted")).group_by(table.c.site)
    rows = connection.execute(asked if alone is None else asked.where(table.c.site == alone))
    return {row.site: row.wanted for row in rows if row.wanted is not None}


def _newest_sample(now_s: int, alone: int | None) -> Select[Any]:
    """Ask for each site's newest sample: one step into its index a site, in the parts of the last days only."""
    site, sample = schema.sites.c, schema.samples.c
    low, high = first_key(now_s - Keep().raw * DAY_S), first_key(now_s + AHEAD_S)
    newest = (
        select(sample.key)
        .where(sample.site == site.id, sample.key >= low, sample.key < high)
        .order_by(sample.key.desc())
        .limit(1)
    )
    asked = select(site.id, newest.correlate(schema.sites).scalar_subquery())
    return asked if alone is None else asked.where(site.id == alone)


def _file(path: Path, names: set[str], known: _Shelf | None = None) -> _Shelf:
    """Take a file as it is; two whose names differ only in signs that a key has not are told apart by a number."""
    stem = _OTHERS.sub("-", path.stem).strip("-").lower() or "store"
    # A key that is only a number is a centre's, and its site's reports go by the site's name as well.
    stem = f"store-{stem}" if stem.isdigit() else stem
    name = next(one for one in (stem, *(f"{stem}-{n}" for n in range(2, len(names) + 3))) if one not in names)
    names.add(name)
    if known is not None and known.name == name:
        return known
    # mode=ro: the file, its journal mode included, stays as it is (https://sqlite.org/uri.html). No pool: a folder may
    # have more files than this process may hold open. No cache of statements either: each file's would be 0.8 MB.
    url = URL.create("sqlite", database=path.absolute().as_uri(), query={"mode": "ro", "uri": "true"})
    engine = create_engine(url, poolclass=NullPool, query_cache_size=0, connect_args={"timeout": BUSY_MS / 1000})
    return _Shelf(engine, path.name, name)


def _only_read(connection: Any, _record: object) -> None:  # noqa: ANN401 - SQLAlchemy hands over the driver's connection
    connection.execute(f"SET statement_timeout = {ANSWER_MS}")
    connection.commit()
    connection.read_only = True


def admit_reader(centre: str, role: str) -> None:
    """
    As the centre's owner: let this role read all sites, and write nothing.

    Raises:    StoreError: no such role, not the owner, or no centre with this program's schema.
    """
    url = address_of(centre)
    if url.get_backend_name() != "postgresql":
        raise StoreError(f"{centre}: the centre is a PostgreSQL: write postgresql://owner@host/database")
    engine = connect(url)
    quote = engine.dialect.identifier_preparer.quote
    try:
        with told(shown(url)), writing(engine) as far:
            if version_of(far) != HEAD:
                raise StoreError(
                    f"{shown(url)}: is no centre of this schema yet: run `netaudit store ship --admit` first"
                )
            tables = ", ".join(schema.metadata.tables)
            far.execute(text(f"GRANT SELECT ON {tables}, alembic_version TO {quote(role)}"))
            known = text("SELECT roles::text[] FROM pg_policies WHERE policyname = 'all_sites' AND tablename = :table")
            for table in schema.metadata.tables:
                roles = far.scalar(known.bindparams(table=table))
                if roles is None:
                    # Beside the rule that a box touches its own site only: of several rules one is enough (manual, 5.9).
                    far.execute(text(f"CREATE POLICY all_sites ON {table} FOR SELECT TO {quote(role)} USING (true)"))
                elif role not in roles:
                    every = ", ".join(quote(one) for one in (*roles, role))
                    far.execute(text(f"ALTER POLICY all_sites ON {table} TO {every}"))
    finally:
        engine.dispose()
