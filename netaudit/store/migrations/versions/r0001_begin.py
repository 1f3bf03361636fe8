"""Make all tables; at the centre also their parts by time and the rule that a box touches its own site only."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_WHOLE = sa.BigInteger()
_PRIVATE = (
    "devices addresses names present presence series samples hourly daily marks notices health findings baselines "
    "certificates plans outbox forgotten"
)


def upgrade() -> None:
    """Make everything that is not there."""
    op.create_table(
        "sites",
        sa.Column("id", sa.Integer(), primary_key=True, autoincrement=True),
        sa.Column("name", sa.Text(), nullable=False, unique=True),
        sa.Column("role", sa.Text(), unique=True),
        sa.Column("rev", _WHOLE, nullable=False, server_default=sa.text("0")),
        sa.Column("generation", _WHOLE, nullable=False, server_default=sa.text("0")),
    )
    _table(
        "devices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mac", sa.Text(), nullable=False),
        sa.Column("first_at", _WHOLE, nullable=False),
        sa.Column("last_at", _WHOLE),
        sa.UniqueConstraint("site", "mac", name="devices_mac"),
        key=("id",),
    )
    _table(
        "addresses",
        sa.Column("device", sa.Integer(), nullable=False),
        sa.Column("segment", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("first_at", _WHOLE, nullable=False),
        sa.Column("last_at", _WHOLE, nullable=False),
        key=("device", "segment", "address"),
        rowid=False,
    )
    _table(
        "names",
        sa.Column("device", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("first_at", _WHOLE, nullable=False),
        sa.Column("last_at", _WHOLE, nullable=False),
        key=("device", "name", "origin"),
        rowid=False,
    )
    _table(
        "present",
        sa.Column("device", sa.Integer(), nullable=False),
        sa.Column("segment", sa.Text(), nullable=False),
        sa.Column("since", _WHOLE, nullable=False),
        sa.Column("until", _WHOLE, nullable=False),
        key=("device", "segment"),
        rowid=False,
    )
    _table(
        "presence",
        sa.Column("until", _WHOLE, nullable=False),
        sa.Column("device", sa.Integer(), nullable=False),
        sa.Column("segment", sa.Text(), nullable=False),
        sa.Column("since", _WHOLE, nullable=False),
        key=("until", "device", "segment"),
        rowid=False,
        rev=False,
    )
    _table(
        "series",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("quantum", sa.Double(), nullable=False),
        sa.UniqueConstraint("site", "kind", "place", name="series_name"),
        key=("id",),
    )
    _keyed("samples", sa.Column("value", sa.Double()))
    for name in ("hourly", "daily"):
        _keyed(
            name,
            sa.Column("asked", sa.Integer(), nullable=False),
            sa.Column("lost", sa.Integer(), nullable=False),
            *(sa.Column(column, sa.Double()) for column in ("low", "mean", "p50", "p95", "high")),
        )
    _table(
        "marks",
        sa.Column("stream", sa.Text(), nullable=False),
        sa.Column("done", _WHOLE, nullable=False),
        sa.Column("late", _WHOLE),
        key=("stream",),
        rowid=False,
        rev=False,
    )
    _table(
        "notices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("first_at", _WHOLE, nullable=False),
        sa.Column("last_at", _WHOLE, nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.UniqueConstraint("site", "kind", "place", "detail", name="notices_words"),
        key=("id",),
    )
    _table(
        "health",
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("since", _WHOLE, nullable=False),
        sa.Column("until", _WHOLE, nullable=False),
        sa.Column("good", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        key=("source", "since"),
        rowid=False,
    )
    _table(
        "findings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("opened_at", _WHOLE, nullable=False),
        sa.Column("updated_at", _WHOLE, nullable=False),
        sa.Column("closed_at", _WHOLE),
        sa.Column("acknowledged_at", _WHOLE),
        sa.Column("muted_until", _WHOLE),
        sa.Column("reason", sa.Text(), nullable=False),
        key=("id",),
    )
    still_open = sa.text("closed_at IS NULL")
    op.create_index(
        "findings_open",
        "findings",
        ["site", "key"],
        unique=True,
        sqlite_where=still_open,
        postgresql_where=still_open,
    )
    op.create_index("findings_closed", "findings", ["site", "closed_at"])
    for name, key in (("baselines", "name"), ("certificates", "sha256"), ("plans", "sha256")):
        _table(
            name,
            sa.Column(key, sa.Text(), nullable=False),
            sa.Column("at", _WHOLE, nullable=False),
            sa.Column("document", sa.Text(), nullable=False),
            key=(key,),
        )
    _table(
        "outbox",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("made_at", _WHOLE, nullable=False),
        sa.Column("due_at", _WHOLE, nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.Column("sent_at", _WHOLE),
        sa.Column("given_up_at", _WHOLE),
        sa.UniqueConstraint("site", "key", "channel", name="outbox_key"),
        key=("id",),
        rev=False,
    )
    waiting = sa.text("sent_at IS NULL AND given_up_at IS NULL")
    op.create_index("outbox_due", "outbox", ["site", "due_at"], sqlite_where=waiting, postgresql_where=waiting)
    _table(
        "forgotten",
        sa.Column("mac", sa.Text(), nullable=False),
        sa.Column("at", _WHOLE, nullable=False),
        key=("mac",),
        rev=False,
    )
    if _central():
        _fence()


def _central() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _table(name: str, *parts: sa.schema.SchemaItem, key: tuple[str, ...], rowid: bool = True, rev: bool = True) -> None:
    last = [sa.Column("rev", _WHOLE, nullable=False)] if rev else []
    op.create_table(
        name,
        sa.Column("site", sa.Integer(), nullable=False),
        *parts,
        *last,
        sa.PrimaryKeyConstraint("site", *key),
        sqlite_with_rowid=rowid,
    )


def _keyed(name: str, *columns: sa.Column[float]) -> None:
    if not _central():
        # INTEGER and nothing else makes the column SQLite's own row number (https://sqlite.org/rowidtable.html).
        key = sa.Column("key", sa.Integer(), primary_key=True, autoincrement=False)
        site = sa.Column("site", sa.Integer(), sa.Computed("1", persisted=False), nullable=False)
        op.create_table(name, key, site, *columns)
        return
    site = sa.Column("site", sa.Integer(), nullable=False)
    key = sa.Column("key", _WHOLE, nullable=False)
    op.create_table(
        name, site, key, *columns, sa.PrimaryKeyConstraint("site", "key"), postgresql_partition_by="RANGE (key)"
    )
    # Takes what no other part wants, so that a box with a wrong clock is not refused.
    op.execute(f"CREATE TABLE {name}_other PARTITION OF {name} DEFAULT")


def _fence() -> None:
    # The inner SELECT runs once a statement, not once a row (PostgreSQL manual, 5.9 Row Security Policies).
    own = "(SELECT id FROM sites WHERE role = current_user)"
    op.execute("ALTER TABLE sites ENABLE ROW LEVEL SECURITY")
    op.execute("CREATE POLICY own_site ON sites USING (role = current_user)")
    for name in _PRIVATE.split():
        op.execute(f"ALTER TABLE {name} ENABLE ROW LEVEL SECURITY")
        op.execute(f"CREATE POLICY own_site ON {name} USING (site = {own}) WITH CHECK (site = {own})")
