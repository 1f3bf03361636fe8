"""How long what is kept, and letting go of the rest in pieces small enough for a card and for a waiting writer."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

from sqlalchemy import ColumnElement, Connection, Engine, Table, and_, delete, func, or_, select

from netaudit.errors import OutOfRange
from netaudit.store import mark, schema
from netaudit.store.engine import shown, writing
from netaudit.store.key import DAY_S, HOUR_S, first_key
from netaudit.store.part import drop_parts, make_parts
from netaudit.store.trouble import told

# Rows deleted in one transaction: some 15,000 samples an hour at 250 devices are 50 to 100 pages.
PIECE_S: Final = HOUR_S


@dataclass(frozen=True, slots=True)
class Keep:
    """
    How long each kind of row is kept [days]; None: for ever.

    raw       samples. Eight days, so that a weekly report still finds its whole week on the day after.
    hourly    thirteen months, so that a month can be compared with the same one last year.
    presence  intervals that are over: they say when people come and go.
    names, addresses  after their last use; a device is let go of when nothing is known of it any more.
    notices, health, outbox  after their last change; findings: after they were closed.
    """

    raw: int = 8
    hourly: int | None = 396
    daily: int | None = None
    presence: int | None = 396
    names: int | None = 396
    addresses: int | None = 396
    notices: int | None = 396
    health: int | None = 396
    findings: int | None = None
    outbox: int | None = 31

    def __post_init__(self) -> None:
        """Refuse what would lose samples before they are rolled up."""
        if self.raw < 2:
            raise OutOfRange(f"raw samples kept {self.raw} days: a day is rolled up when it is over, keep 2 or more")
        for one in fields(self):
            days = getattr(self, one.name)
            if days is not None and days < 1:
                raise OutOfRange(f"{one.name} kept {days} days: keep 1 or more, or leave it out to keep them for ever")


def prune(engine: Engine, site: int, now_s: int, keep: Keep) -> dict[str, int]:
    """
    Let go of what is older than `keep` says. Samples go only when their hour and day were rolled up.

    Returns:   rows removed by table, tables with none left out; of a centre also the number of its `parts` that went whole.
    Raises:    StoreError: the database failed; what was removed stays removed.
    """
    removed: dict[str, int] = {}
    with told(shown(engine.url)):
        if engine.dialect.name == "postgresql":
            make_parts(engine, now_s)
            removed["parts"] = len(drop_parts(engine, now_s, keep.raw, keep.hourly))
        for table, days, step_s in (
            (schema.samples, keep.raw, 1),
            (schema.hourly, keep.hourly, HOUR_S),
            (schema.daily, keep.daily, DAY_S),
        ):
            if days is not None:
                removed[table.name] = _prune_keyed(engine, site, table, now_s - days * DAY_S, step_s)
        with writing(engine) as connection:
            removed |= _prune_small(connection, site, now_s, keep)
    return {name: count for name, count in removed.items() if count}


def _prune_keyed(engine: Engine, site: int, table: Table, before_s: int, step_s: int) -> int:
    with engine.connect() as connection:
        if table is schema.samples:
            rolled = mark.needed_from(connection, site, "samples", ("hourly", "daily"))
            before_s = min(before_s, rolled if rolled is not None else 0)
        end = first_key(before_s // step_s)
        first = select(table.c.key).where(table.c.site == site, table.c.key < end).order_by(table.c.key).limit(1)
        key = connection.scalar(first)
    removed = 0
    while key is not None:
        upto = min(end, key + first_key(max(1, PIECE_S // step_s)))
        with writing(engine) as connection:
            gone = delete(table).where(table.c.site == site, table.c.key >= key, table.c.key < upto)
            removed += connection.execute(gone).rowcount
            key = connection.scalar(first.where(table.c.key >= upto))
    return removed


def _prune_small(connection: Connection, site: int, now_s: int, keep: Keep) -> dict[str, int]:
    def end(days: int) -> int:
        return now_s - days * DAY_S

    removed: dict[str, int] = {}
    box = schema.outbox.c
    if keep.presence is not None:
        over = schema.presence.c.until < end(keep.presence)
        removed["presence"] = _delete(connection, schema.presence, site, over)
    for table, days in ((schema.names, keep.names), (schema.addresses, keep.addresses), (schema.notices, keep.notices)):
        if days is not None:
            removed[table.name] = _delete(connection, table, site, table.c.last_at < end(days))
    if keep.health is not None:
        removed["health"] = _delete(connection, schema.health, site, schema.health.c.until < end(keep.health))
    if keep.findings is not None:
        removed["findings"] = _delete(
            connection, schema.findings, site, schema.findings.c.closed_at < end(keep.findings)
        )
    if keep.outbox is not None:
        settled = or_(box.sent_at < end(keep.outbox), box.given_up_at < end(keep.outbox))
        removed["outbox"] = _delete(connection, schema.outbox, site, settled)
    if keep.presence is not None:
        # A device of which nothing is left but its MAC.
        one = schema.devices.c
        nothing_left = [
            ~select(table.c.device).where(table.c.site == site, table.c.device == one.id).exists()
            for table in (schema.addresses, schema.names, schema.present)
        ]
        unknown = and_(func.coalesce(one.last_at, one.first_at) < end(keep.presence), *nothing_left)
        removed["devices"] = _delete(connection, schema.devices, site, unknown)
    if any(removed.get(name) for name in ("devices", "names", "addresses", "notices", "health")):
        touch(connection, site)
    return removed


def _delete(connection: Connection, table: Table, site: int, where: ColumnElement[bool]) -> int:
    return connection.execute(delete(table).where(table.c.site == site, where)).rowcount


def touch(connection: Connection, site: int) -> None:
    """Tell a running writer that rows went behind its back: it reads its memory anew at its next flush."""
    one = schema.sites
    connection.execute(one.update().where(one.c.id == site).values(generation=one.c.generation + 1))
