"""Opening the database: one file of SQLite that only its owner reads, or a PostgreSQL."""

from __future__ import annotations

import os
import stat
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from netaudit.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator

# Another process may hold the write lock for as long as a prune or a forget takes; longer than this is a fault.
BUSY_MS: Final = 5000
# Pages in memory for each connection [KiB], of which a watch keeps three open for months: what a commit and a judgement
# touch. With four times as much a year's reports were no faster (benchmarks/store.py): the kernel keeps the file's pages too.
CACHE_KIB: Final = 2000
_WRITES: Final = "netaudit_writes"
_LAZILY: Final = "netaudit_lazily"


def address_of(url_or_path: str | Path) -> URL:
    """
    Read what the user gave: a path is a SQLite file, `postgresql://...` the centre.

    Raises:    StoreError: it is neither.
    """
    given = str(url_or_path)
    if "://" not in given:
        return URL.create("sqlite", database=given)
    try:
        url = make_url(given)
    except ArgumentError:
        raise StoreError(
            "the address of the store can't be read: write a path, or postgresql://user@host/database"
        ) from None
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() == "sqlite" and url.database:
        return URL.create("sqlite", database=url.database)
    raise StoreError(f"{url.drivername}: a store is a path, or postgresql://user@host/database")


def shown(url: URL) -> str:
    """Name a store in a message: the path, or the address without its password."""
    if url.get_backend_name() == "sqlite":
        return url.database or ""
    return url.set(drivername="postgresql").render_as_string(hide_password=True)


def connect(url: URL) -> Engine:
    """
    Make the engine; for SQLite the file is made first, readable by its owner only (its WAL takes the same mode).

    Raises:    StoreError: the file can't be made, or what a PostgreSQL needs isn't installed.
    """
    if url.get_backend_name() != "sqlite":
        try:
            # No column of ours is an hstore: not asking for that type saves a box two waits at each shipment.
            return create_engine(
                url, pool_size=2, max_overflow=2, connect_args={"connect_timeout": 10}, use_native_hstore=False
            )
        except ImportError as error:
            raise StoreError(
                f'{shown(url)}: a PostgreSQL needs psycopg ({error}): pip install "netaudit[fleet]"'
            ) from error
    _make_private(Path(url.database or ""))
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000}, pool_size=2, max_overflow=4)
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


@contextmanager
def writing(engine: Engine, *, lazily: bool = False) -> Iterator[Connection]:
    """
    Open one transaction that means to write: all of it is kept or nothing.

    Args:      lazily: SQLite need not wait for the disk: a power cut, not a crash, may undo what was committed last.
    """
    with engine.connect().execution_options(**{_WRITES: True, _LAZILY: lazily}) as connection, connection.begin():
        yield connection


def _make_private(path: Path) -> None:
    if path.is_dir():
        raise StoreError(f"{path}: is a folder: name the file of the store")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: its folder is not there: make it first")
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
        if stat.S_IMODE(path.stat().st_mode) & 0o077:
            path.chmod(0o600)
    except PermissionError:
        raise StoreError(f"{path}: this user may not write it: give it back, or run as its owner") from None
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}: name a file on a disk that can be written") from None


def _prepare(connection: Any, _record: object) -> None:  # noqa: ANN401 - SQLAlchemy hands over the driver's connection
    # None: the driver opens no transactions behind our back, so that DDL and data share one (docs of sqlite3).
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={BUSY_MS}")
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute(f"PRAGMA cache_size=-{CACHE_KIB}")
    # Sorting a year for a report stays in memory: a temporary file would wear the card.
    cursor.execute("PRAGMA temp_store=MEMORY")
    cursor.close()


def _begin(connection: Connection) -> None:
    # IMMEDIATE takes the write lock now, where waiting for it is possible; a reader that turns writer may not wait.
    options = connection.get_execution_options()
    # FULL syncs the log at each commit: what was committed survives a power cut (https://sqlite.org/pragma.html,
    # synchronous). At one commit a minute that costs nothing worth measuring. NORMAL may lose the last commits, never
    # one from before a commit with FULL, which syncs all of the log. Neither can be set within a transaction.
    if options.get(_WRITES, False):
        connection.exec_driver_sql(f"PRAGMA synchronous={'NORMAL' if options[_LAZILY] else 'FULL'}")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
    else:
        connection.exec_driver_sql("BEGIN")
