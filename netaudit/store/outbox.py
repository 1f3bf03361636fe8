"""What has still to be told: written in the same file as what it tells of, so a crash loses neither."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Row, func, insert, select, update

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.moment import moment, seconds

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

# Letters waiting for a channel that never works: a bad week of a busy site; more would only be noise when it works.
MAX_WAITING: Final = 1_000


@dataclass(frozen=True, slots=True)
class Letter:
    """
    Something to tell through one channel.

    id        its number; key: what it tells of, unique per channel: putting it twice tells it once
    due_at    when to try (again); attempts: how often it was tried; trouble: what the last attempt said
    enclosure path of a file that goes along where the channel takes files; empty: none
    """

    id: int
    key: str
    channel: str
    body: str
    made_at: datetime
    due_at: datetime
    attempts: int
    trouble: str
    enclosure: str = ""


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits for one channel: how many letters, the oldest since when, what the last attempt at its first one said."""

    channel: str
    count: int
    since: datetime
    trouble: str


def put(connection: Connection, site: int, *, key: str, channel: str, body: str, enclosure: str, at: datetime) -> bool:
    """
    Put a letter in; nothing happens if one with this key and channel was put in before.

    Returns:   whether it was put in.
    Raises:    StoreError: too many wait for this channel.
    """
    box = schema.outbox.c
    known = select(box.id).where(box.site == site, box.key == key, box.channel == channel)
    if connection.scalar(known) is not None:
        return False
    waiting = select(func.count()).select_from(schema.outbox)
    waiting = waiting.where(box.site == site, box.channel == channel, box.sent_at.is_(None), box.given_up_at.is_(None))
    if int(connection.scalar(waiting) or 0) >= MAX_WAITING:
        raise StoreError(f"channel {channel}: {MAX_WAITING} messages wait already: mend the channel or take it away")
    number = int(connection.scalar(select(func.coalesce(func.max(box.id), 0)).where(box.site == site)) or 0) + 1
    now = {"made_at": seconds(at), "due_at": seconds(at), "attempts": 0, "trouble": ""}
    letter = {"key": key, "channel": channel, "body": body, "enclosure": enclosure}
    connection.execute(insert(schema.outbox).values(site=site, id=number, **letter, **now))
    return True


def queue(connection: Connection, site: int, channel: str, limit: int = 50) -> list[Letter]:
    """List a channel's letters that were neither sent nor given up, in the order in which they were put in."""
    box = schema.outbox.c
    asked = select(schema.outbox).where(
        box.site == site, box.channel == channel, box.sent_at.is_(None), box.given_up_at.is_(None)
    )
    return [_letter(row) for row in connection.execute(asked.order_by(box.id).limit(limit))]


def give_up_others(connection: Connection, site: int, channels: Collection[str], at: datetime) -> int:
    """Give up what waits for other channels than these, which nobody serves any more; gives the number of letters."""
    box = schema.outbox.c
    others = update(schema.outbox).where(
        box.site == site, box.channel.not_in(channels), box.sent_at.is_(None), box.given_up_at.is_(None)
    )
    return connection.execute(others.values(given_up_at=seconds(at), trouble="the plan has no such channel")).rowcount


def keys(connection: Connection, site: int, channel: str) -> frozenset[str]:
    """Give the keys of all letters that are kept of a channel, sent or not."""
    box = schema.outbox.c
    return frozenset(connection.scalars(select(box.key).where(box.site == site, box.channel == channel)))


def waiting(connection: Connection, site: int) -> list[Waiting]:
    """List the channels for which letters wait, by name."""
    box = schema.outbox.c
    asked = select(box.channel, func.count(), func.min(box.made_at), func.min(box.id)).where(
        box.site == site, box.sent_at.is_(None), box.given_up_at.is_(None)
    )
    found = []
    for channel, count, since, first in connection.execute(asked.group_by(box.channel).order_by(box.channel)).all():
        trouble = connection.scalar(select(box.trouble).where(box.site == site, box.id == first))
        found.append(Waiting(channel, count, moment(since), trouble or ""))
    return found


def sent(connection: Connection, site: int, number: int, at: datetime) -> None:
    """Note that a letter was delivered."""
    _change(connection, site, number, sent_at=seconds(at), attempts=schema.outbox.c.attempts + 1, trouble="")


def failed(
    connection: Connection, site: int, number: int, *, trouble: str, again_at: datetime | None, at: datetime
) -> None:
    """Note that an attempt failed; again_at: when to try next, None: give it up."""
    values: dict[str, Any] = {"attempts": schema.outbox.c.attempts + 1, "trouble": trouble[:255]}
    if again_at is None:
        values["given_up_at"] = seconds(at)
    else:
        values["due_at"] = seconds(again_at)
    _change(connection, site, number, **values)


def _change(connection: Connection, site: int, number: int, **values: object) -> None:
    box = schema.outbox.c
    connection.execute(update(schema.outbox).where(box.site == site, box.id == number).values(**values))


def _letter(row: Row[Any]) -> Letter:
    return Letter(
        row.id,
        row.key,
        row.channel,
        row.body,
        moment(row.made_at),
        moment(row.due_at),
        row.attempts,
        row.trouble,
        row.enclosure,
    )
