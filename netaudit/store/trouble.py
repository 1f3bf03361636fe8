"""What a database says when it fails, as one line that says what to do."""

from __future__ import annotations

import errno
import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from netaudit.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator

# Primary result codes, https://sqlite.org/rescode.html: the low byte of the extended code.
_ADVICE: Final = {
    sqlite3.SQLITE_FULL: "the disk is full: free some space, or keep less (`netaudit store prune`)",
    sqlite3.SQLITE_READONLY: "the file or its folder is read-only for this user: give it back, or write elsewhere",
    sqlite3.SQLITE_PERM: "this user may not use the file: give it back, or run as its owner",
    sqlite3.SQLITE_BUSY: "another process holds it locked: end that, or try again",
    sqlite3.SQLITE_LOCKED: "another process holds it locked: end that, or try again",
    sqlite3.SQLITE_CANTOPEN: "it can't be opened: check that the folder is there and that this user may write in it",
    sqlite3.SQLITE_NOTADB: "it is no SQLite database: name another file, or put back a backup (`netaudit store restore`)",
    sqlite3.SQLITE_CORRUPT: "it is damaged: put back a backup (`netaudit store restore`)",
    sqlite3.SQLITE_IOERR: "reading or writing the disk failed: check the disk, its free space and its limits",
}
# What the system says of a file, by what SQLite would say of the same.
_OF_FILES: Final = {
    errno.ENOSPC: sqlite3.SQLITE_FULL,
    errno.EDQUOT: sqlite3.SQLITE_FULL,
    errno.EROFS: sqlite3.SQLITE_READONLY,
    errno.EACCES: sqlite3.SQLITE_PERM,
}
# query_canceled: by a timeout, or by its administrator (manual of PostgreSQL, appendix A).
_BROKEN_OFF: Final = "57014"
# insufficient_privilege
_FORBIDDEN: Final = "42501"


class StoreDamaged(StoreError):  # noqa: N818 - reads as the sentence that it is
    """The file is damaged or is no database: trying again is of no use."""


class StoreBusy(StoreError):  # noqa: N818
    """Another process holds the store: trying again later may be of use."""


@contextmanager
def told(where: str) -> Iterator[None]:
    """
    Turn every failure of the database inside into a StoreError that says where, what and what to do.

    Args:      where: the file or the address of the database, as the user gave it (without a password).
    Raises:    StoreError: always in place of the database's own errors.
    """
    try:
        yield
    except DBAPIError as error:
        raise _line(where, error.orig or error) from error
    except sqlite3.Error as error:
        raise _line(where, error) from error
    except SQLAlchemyError as error:
        raise StoreError(f"{where}: {_first_line(error)}") from error
    except StoreError:
        raise
    except OSError as error:
        advice = _ADVICE.get(_OF_FILES.get(error.errno or 0, 0))
        raise StoreError(f"{where}: {advice or error.strerror or error}") from error


def _line(where: str, error: BaseException) -> StoreError:
    code = getattr(error, "sqlite_errorcode", None)
    if isinstance(code, int):
        primary = code & 0xFF
        kind = {
            sqlite3.SQLITE_CORRUPT: StoreDamaged,
            sqlite3.SQLITE_NOTADB: StoreDamaged,
            sqlite3.SQLITE_BUSY: StoreBusy,
            sqlite3.SQLITE_LOCKED: StoreBusy,
        }.get(primary, StoreError)
        return kind(f"{where}: {_ADVICE.get(primary, _first_line(error))}")
    state = getattr(error, "sqlstate", None)
    if state == _BROKEN_OFF:
        return StoreBusy(f"{where}: {_first_line(error)}: see what locks or burdens the database, then try again")
    if state == _FORBIDDEN:
        return StoreError(
            f"{where}: {_first_line(error)}: let the centre's owner do it, or admit this role: a box by "
            "`netaudit store ship --admit`, a reader by `netaudit serve --admit`"
        )
    if state is None and type(error).__module__.startswith("psycopg"):
        return StoreBusy(
            f"{where}: no connection to the database: {_first_line(error)}; check its address and try again"
        )
    return StoreError(f"{where}: {_first_line(error)}")


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
