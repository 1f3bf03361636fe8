"""Runs the steps on the connection it is handed, inside the transaction that is already open there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from alembic import context

from netaudit.store.migrate import leave_mark
from netaudit.store.schema import metadata

if TYPE_CHECKING:
    from alembic.runtime.migration import MigrationInfo
    from sqlalchemy import Connection

connection: Connection = context.config.attributes["connection"]


def _applied(ctx: object, step: MigrationInfo, heads: object, run_args: object) -> None:  # noqa: ARG001 - Alembic's names
    leave_mark(connection, step.up_revision_id or "0")


context.configure(
    connection=connection,
    target_metadata=metadata,
    render_as_batch=True,
    on_version_apply=_applied,
)
context.run_migrations()
