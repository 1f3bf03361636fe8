"""
The tables, for SQLite on the box and PostgreSQL at the centre alike. Migrations make them; nothing else does.

Every row carries its site. Moments are whole seconds since 1970 UTC, in columns named `..._at`, `since` or `until`.
`rev` is the number of the site's write that last touched the row: those above 812 are what is new since write 812, which
is how the small tables are shipped. It has no index: reading a few thousand rows once in a while costs nothing, keeping
an index at each write wears the card. There are no foreign keys: rows reach the centre in any order, and `netaudit store
check` looks for what nobody owns.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

metadata: Final = MetaData()

# "naud": tells our files from every other SQLite file (https://sqlite.org/pragma.html, application_id).
APPLICATION_ID: Final = 0x6E617564


def _site() -> Column[int]:
    return Column("site", Integer, primary_key=True, autoincrement=False, nullable=False)


def _owner() -> Column[int]:
    return Column("site", Integer, nullable=False)


def _rev() -> Column[int]:
    return Column("rev", BigInteger, nullable=False)


# generation: raised when rows were removed behind a running writer's back, which then reads its memory anew.
# role: the database role that may write this site's rows at the centre.
sites: Final = Table(
    "sites",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("name", Text, nullable=False, unique=True),
    Column("role", Text, unique=True),
    Column("rev", BigInteger, nullable=False, server_default=text("0")),
    Column("generation", BigInteger, nullable=False, server_default=text("0")),
)

# last_at: the end of its last interval that is over; a later one is in `present`.
devices: Final = Table(
    "devices",
    metadata,
    _site(),
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("mac", Text, nullable=False),
    Column("first_at", BigInteger, nullable=False),
    Column("last_at", BigInteger),
    _rev(),
    UniqueConstraint("site", "mac", name="devices_mac"),
)

addresses: Final = Table(
    "addresses",
    metadata,
    _site(),
    Column("device", Integer, primary_key=True, autoincrement=False),
    Column("segment", Text, primary_key=True),
    Column("address", Text, primary_key=True),
    Column("how", Text, nullable=False),
    Column("first_at", BigInteger, nullable=False),
    Column("last_at", BigInteger, nullable=False),
    _rev(),
    sqlite_with_rowid=False,
)

names: Final = Table(
    "names",
    metadata,
    _site(),
    Column("device", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, primary_key=True),
    Column("origin", Text, primary_key=True),
    Column("first_at", BigInteger, nullable=False),
    Column("last_at", BigInteger, nullable=False),
    _rev(),
    sqlite_with_rowid=False,
)

# The interval that a device is in, or was in last: small, so that refreshing 250 of them touches three pages.
present: Final = Table(
    "present",
    metadata,
    _site(),
    Column("device", Integer, primary_key=True, autoincrement=False),
    Column("segment", Text, primary_key=True),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    _rev(),
    sqlite_with_rowid=False,
)

# Intervals that are over, in the order in which they ended: what touches a week is one range, and new ones come last.
presence: Final = Table(
    "presence",
    metadata,
    _site(),
    Column("until", BigInteger, primary_key=True, autoincrement=False),
    Column("device", Integer, primary_key=True, autoincrement=False),
    Column("segment", Text, primary_key=True),
    Column("since", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

series: Final = Table(
    "series",
    metadata,
    _site(),
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("place", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("quantum", Double, nullable=False),
    _rev(),
    UniqueConstraint("site", "kind", "place", name="series_name"),
)


def _keyed() -> Column[int]:
    return Column("key", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False)


# Keyed by (moment, series), see key.py: the row number itself in SQLite; (site, key), in parts by time, at the centre.
# One SQLite file is one site's, so there `site` is computed, always ONLY_SITE, and takes no room in these long tables.
samples: Final = Table("samples", metadata, _owner(), _keyed(), Column("value", Double))
ONLY_SITE: Final = 1


def _rolled(name: str) -> Table:
    """Make a table of roll-ups. asked: samples in the period; lost: those not answered; the others describe the rest."""
    return Table(
        name,
        metadata,
        _owner(),
        _keyed(),
        Column("asked", Integer, nullable=False),
        Column("lost", Integer, nullable=False),
        Column("low", Double),
        Column("mean", Double),
        Column("p50", Double),
        Column("p95", Double),
        Column("high", Double),
    )


hourly: Final = _rolled("hourly")
daily: Final = _rolled("daily")

# How far a job has come through the samples: `done` is the index up to which all is done, `late` the earliest moment
# that was written behind it since, or NULL. Streams: "hourly", "daily", "ship/...".
marks: Final = Table(
    "marks",
    metadata,
    _site(),
    Column("stream", Text, primary_key=True),
    Column("done", BigInteger, nullable=False),
    Column("late", BigInteger),
    sqlite_with_rowid=False,
)

# What collectors said that is no number; the same words again only move last_at and count.
notices: Final = Table(
    "notices",
    metadata,
    _site(),
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("place", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("first_at", BigInteger, nullable=False),
    Column("last_at", BigInteger, nullable=False),
    Column("times", Integer, nullable=False),
    _rev(),
    UniqueConstraint("site", "kind", "place", "detail", name="notices_words"),
)

# How the sources are doing: one row from one change to the next.
health: Final = Table(
    "health",
    metadata,
    _site(),
    Column("source", Text, primary_key=True),
    Column("since", BigInteger, primary_key=True, autoincrement=False),
    Column("until", BigInteger, nullable=False),
    Column("good", Boolean, nullable=False),
    Column("reason", Text, nullable=False),
    _rev(),
    sqlite_with_rowid=False,
)

findings: Final = Table(
    "findings",
    metadata,
    _site(),
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", Text, nullable=False),
    Column("rule", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("opened_at", BigInteger, nullable=False),
    Column("updated_at", BigInteger, nullable=False),
    Column("closed_at", BigInteger),
    Column("acknowledged_at", BigInteger),
    Column("muted_until", BigInteger),
    Column("reason", Text, nullable=False),
    _rev(),
    Index(
        "findings_open",
        "site",
        "key",
        unique=True,
        sqlite_where=text("closed_at IS NULL"),
    ),
    Index("findings_closed", "site", "closed_at"),
)


def _documents(name: str, key: str) -> Table:
    """Make a table of whole documents, kept as they were given."""
    return Table(
        name,
        metadata,
        _site(),
        Column(key, Text, primary_key=True),
        Column("at", BigInteger, nullable=False),
        Column("document", Text, nullable=False),
        _rev(),
    )


baselines: Final = _documents("baselines", "name")
certificates: Final = _documents("certificates", "sha256")
plans: Final = _documents("plans", "sha256")

_WAITING: Final = text("sent_at IS NULL AND given_up_at IS NULL")

outbox: Final = Table(
    "outbox",
    metadata,
    _site(),
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("key", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("made_at", BigInteger, nullable=False),
    Column("due_at", BigInteger, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("trouble", Text, nullable=False),
    Column("sent_at", BigInteger),
    Column("given_up_at", BigInteger),
    Column("enclosure", Text, nullable=False, server_default=""),
    UniqueConstraint("site", "key", "channel", name="outbox_key"),
    Index("outbox_due", "site", "due_at", sqlite_where=_WAITING),
)

# Devices that the centre has still to forget; a row goes when it has.
forgotten: Final = Table(
    "forgotten",
    metadata,
    _site(),
    Column("mac", Text, primary_key=True),
    Column("at", BigInteger, nullable=False),
)
