"""
Making the store ready in a process of its own.

What a migration needs (Alembic, 9 MB) would stay in the process that watches for months; so it goes with a child.
"""

from __future__ import annotations

import contextlib
import multiprocessing

from netaudit.daemon.looks import utc_now
from netaudit.errors import NetauditError
from netaudit.store.store import Store


def prepare(kept_at: str, site: str) -> None:
    """
    Make the store, or bring it to this program's schema. Whatever fails here fails for the caller again, who tells it.

    Before any thread is begun: the child is a copy of this process.
    """
    child = multiprocessing.get_context("fork").Process(target=_open, args=(kept_at, site))
    child.start()
    child.join()


def _open(kept_at: str, site: str) -> None:
    with contextlib.suppress(NetauditError):
        Store.open(kept_at, site=site, clock=utc_now).close()
