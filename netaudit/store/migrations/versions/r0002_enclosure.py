"""Let a letter have an enclosure: the path of a file that goes along where a channel takes files."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Letters of before have none."""
    op.add_column("outbox", sa.Column("enclosure", sa.Text(), nullable=False, server_default=""))
