"""Roles of a PostgreSQL that live for one test."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import psycopg

from netaudit.store.engine import address_of

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def living(owner: str, *roles: str) -> Iterator[None]:
    """Make these roles, also where an earlier test died over them, and take them away again with all that they were granted."""
    with psycopg.connect(owner, autocommit=True) as connection:
        for role in roles:
            connection.execute(f"DROP ROLE IF EXISTS {role}")
            connection.execute(f"CREATE ROLE {role} LOGIN PASSWORD 'p'")
    yield
    with psycopg.connect(owner, autocommit=True) as connection:
        for role in roles:
            connection.execute(f"DROP OWNED BY {role}")
            connection.execute(f"DROP ROLE {role}")


def as_role(owner: str, role: str) -> str:
    """Give the address of the owner's database for a role."""
    # the password of a role that lives for one test
    url = address_of(owner).set(username=role, password="p", drivername="postgresql")  # noqa: S106 - see above
    return url.render_as_string(hide_password=False)
