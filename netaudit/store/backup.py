"""
Copies of a running store, putting one back, and looking for damage. SQLite only: PostgreSQL brings its own tools.

A backup is one consistent moment of the store, checked before it takes its name; the daemon goes on writing meanwhile.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from netaudit.errors import StoreError
from netaudit.store.engine import BUSY_MS, address_of
from netaudit.store.migrate import HEAD
from netaudit.store.schema import APPLICATION_ID
from netaudit.store.trouble import StoreBusy, StoreDamaged, told

if TYPE_CHECKING:
    from datetime import datetime

# A store in use is told from one that is not by its lock; the daemon holds it for as long as it runs.
_PATIENCE_S: Final = 2.0
# Complaints of a damaged file that are worth printing: the first ones say where, thousands say nothing more.
_COMPLAINTS: Final = 20
_BESIDE: Final = ("-wal", "-shm")
# A full disk, and a limit or a fault met while writing (https://sqlite.org/rescode.html).
_NOT_WRITTEN: Final = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC})


@dataclass(frozen=True, slots=True)
class Copy:
    """A store file that was looked through: its site, the number of its schema and its size."""

    path: Path
    site: str
    version: int
    size_bytes: int


def file_of(url_or_path: str | Path) -> Path:
    """Give the file of a store. Raises StoreError: it is no file but a PostgreSQL, which has its own tools."""
    url = address_of(url_or_path)
    if url.get_backend_name() != "sqlite":
        raise StoreError("a PostgreSQL is copied and put back with its own tools, pg_dump and pg_restore")
    return Path(url.database or "")


def back_up(store: Path, target: Path) -> Copy:
    """
    Copy a store, in use or not, to one file that only its owner reads.

    Args:      target: a new file, or an older backup of the same site, which is replaced when the copy is complete.
    Raises:    StoreError: no such store, a target that is something else, a full disk, a damaged store.
    """
    _must_be_file(store)
    if target.is_dir():
        raise StoreError(f"{target}: is a folder: name the file of the backup")
    if target.exists():
        if target.samefile(store):
            raise StoreError(f"{target}: is the store itself: name another file for the backup")
        look_through(target)
    part = target.with_name(f"{target.name}.part")
    with told(str(target)):
        _clear(part)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    try:
        with (
            told(str(store)),
            closing(sqlite3.connect(f"{store.absolute().as_uri()}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(part, isolation_level=None)) as copy,
        ):
            try:
                # In one piece: in several, each commit of the daemon would make it begin again (SQLite backup API).
                source.backup(copy, pages=-1)
                # One file and nothing beside it; a store turns back to a log when it is opened.
                copy.execute("PRAGMA journal_mode=DELETE").fetchall()
            except sqlite3.Error as error:
                # The store is only read: what can't be written is the copy.
                if getattr(error, "sqlite_errorcode", None) not in _NOT_WRITTEN:
                    raise
                with told(str(target)):
                    raise
        # What is damaged or newer is so in the store already.
        done = look_through(part, named=store)
        with told(str(target)):
            _sync(part)
            part.replace(target)
            _sync(target.parent)
    finally:
        # Where nothing can be written nothing is left either, and the first error is the one that says so.
        with suppress(OSError):
            _clear(part)
    return Copy(target, done.site, done.version, done.size_bytes)


def restore(backup: Path, store: Path, now: datetime) -> Path | None:
    """
    Put a backup in the place of a store. The store must not be in use; what was there is kept beside it.

    Returns:   where the former store is now; None if there was none.
    Raises:    StoreError: the backup is damaged, newer than this program or none; the store is in use or the disk full.
    """
    look_through(backup)
    if store.exists() and store.samefile(backup):
        raise StoreError(f"{store}: is the backup itself: name the file of the store")
    part = store.with_name(f"{store.name}.part")
    try:
        with told(str(store)):
            _clear(part)
            os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
            with (
                closing(sqlite3.connect(f"{backup.absolute().as_uri()}?mode=ro", uri=True)) as source,
                closing(sqlite3.connect(part)) as copy,
            ):
                source.backup(copy, pages=-1)
            _sync(part)
            former = _set_aside(store, now)
            part.replace(store)
            _sync(store.parent)
    finally:
        # Where nothing can be written nothing is left either, and the first error is the one that says so.
        with suppress(OSError):
            _clear(part)
    return former


def look_through(path: Path, *, named: Path | None = None) -> Copy:
    """
    Read a whole store file and see that it is one of ours, complete and not newer than this program.

    Args:      named: what a complaint is about, where this file is a copy of it.
    Raises:    StoreDamaged: pages or indexes contradict each other; StoreError: it is something else, or newer.
    """
    _must_be_file(path)
    where = named or path
    with told(str(where)), closing(_reader(path)) as connection:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if int(connection.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
            raise StoreError(f"{where}: is no netaudit store: name another file, it is left as it is")
        if version > HEAD:
            raise StoreError(
                f"{where}: was written by a newer netaudit (schema {version}, this one knows {HEAD}): update this program"
            )
        said = [row[0] for row in connection.execute(f"PRAGMA integrity_check({_COMPLAINTS})")]
        if said != ["ok"]:
            raise StoreDamaged(f"{where}: is damaged: {said[0]}; put back a backup (`netaudit store restore`)")
        sites = [row[0] for row in connection.execute("SELECT name FROM sites ORDER BY id")]
    return Copy(path, ", ".join(sites), version, path.stat().st_size)


def check(path: Path) -> list[str]:
    """
    Look for damage in a store, in use or not: each complaint is a line for a person, none is good.

    Raises:    StoreError: it can't be read at all, or is no netaudit store.
    """
    complaints = []
    try:
        look_through(path)
    except StoreDamaged as error:
        return [str(error)]
    mode = path.stat().st_mode & 0o777
    if mode & 0o077:
        complaints.append(f"{path}: others may read it (mode {mode:o}): chmod 600 it")
    with told(str(path)), closing(_reader(path)) as connection:
        for text, question in _ORPHANS:
            count = int(connection.execute(question).fetchone()[0])
            if count:
                complaints.append(f"{path}: {count} {text}")
    return complaints


# What the tables promise each other without foreign keys (see schema.py).
_ORPHANS: Final = (
    *(
        (
            f"rows of {table} belong to no device: `netaudit store prune` removes them when they are old",
            (
                f"SELECT count(*) FROM {table} AS one WHERE NOT EXISTS "  # noqa: S608 - our own names
                "(SELECT 1 FROM devices WHERE devices.site = one.site AND devices.id = one.device)"
            ),
        )
        for table in ("addresses", "names", "present", "presence")
    ),
    *(
        (
            f"rows of {table} belong to no series: `netaudit store prune` removes them when they are old",
            f"SELECT count(*) FROM {table} WHERE (key & 65535) NOT IN (SELECT id FROM series)",  # noqa: S608 - names of our own tables
        )
        for table in ("samples", "hourly", "daily")
    ),
    ("intervals of presence end before they begin", "SELECT count(*) FROM presence WHERE until < since"),
    ("roll-ups lost more than they asked", "SELECT count(*) FROM hourly WHERE lost > asked"),
)


def _reader(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_MS / 1000)
    connection.execute("BEGIN")
    return connection


def _must_be_file(path: Path) -> None:
    if not path.is_file():
        raise StoreError(f"{path}: there is no such file: name the file of a store")


def _clear(part: Path) -> None:
    # A copy that could not be written to its end could not remove its journal either.
    for tail in ("", "-journal"):
        part.with_name(f"{part.name}{tail}").unlink(missing_ok=True)


def _set_aside(store: Path, now: datetime) -> Path | None:
    if not store.exists():
        return None
    _must_not_be_used(store)
    former = store.with_name(f"{store.name}.{now:%Y%m%dT%H%M%SZ}.old")
    for tail in ("", *_BESIDE):
        beside = store.with_name(f"{store.name}{tail}")
        if beside.exists():
            beside.replace(former.with_name(f"{former.name}{tail}"))
    return former


def _must_not_be_used(store: Path) -> None:
    # Leaving the log needs the whole file for oneself, which another open connection refuses (https://sqlite.org/wal.html).
    try:
        with told(str(store)), closing(sqlite3.connect(store, timeout=_PATIENCE_S, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode=DELETE").fetchall()
    except StoreBusy:
        raise StoreBusy(f"{store}: is in use: stop the daemon first, then restore") from None
    except StoreDamaged:
        return


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
