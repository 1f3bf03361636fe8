"""
What the tables hold, as far as the writer would otherwise have to ask at each row.

All values are frozen, so a copy of the dictionaries is a copy of the whole.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from typing import Final, NamedTuple

from sqlalchemy import Connection, bindparam, func, select

from netaudit.store import schema
from netaudit.store.stay import Stay, Stays

# No generation of a site: nothing was read yet.
_NOTHING: Final = -1
# Made once: it is asked at every commit, and making it took as long as asking.
_GENERATION: Final = select(schema.sites.c.generation).where(schema.sites.c.id == bindparam("site")).with_for_update()


@dataclass(frozen=True, slots=True)
class Seen:
    """A row that is refreshed now and then: id if it has one, first and last use, and what the table knows of that."""

    id: int
    first_at: int
    last_at: int
    times: int
    saved_at: int


class Line(NamedTuple):
    """A series: its number, and the step in which its values are kept. A tuple, because unpacking one is fastest."""

    number: int
    quantum: float


@dataclass(frozen=True, slots=True)
class State:
    """How a source does since `since`; saved_until: what the table knows of `until`."""

    good: bool
    reason: str
    since: int
    until: int
    saved_until: int


@dataclass(slots=True)
class Memory:
    """The writer's memory of one site. generation -1: nothing was read yet."""

    generation: int = _NOTHING
    devices: dict[str, int] = field(default_factory=dict)
    series: dict[tuple[str, str], Line] = field(default_factory=dict)
    addresses: dict[tuple[int, str, str], Seen] = field(default_factory=dict)
    names: dict[tuple[int, str, str], Seen] = field(default_factory=dict)
    notices: dict[tuple[str, str, str], Seen] = field(default_factory=dict)
    health: dict[str, State] = field(default_factory=dict)
    addresses_of: dict[int, int] = field(default_factory=dict)
    names_of: dict[int, int] = field(default_factory=dict)
    stays: Stays = field(default_factory=Stays)
    next_device: int = 1
    next_series: int = 1
    next_notice: int = 1
    saved_at: int = 0
    uses_saved_at: int = 0

    def current(self, connection: Connection, site: int) -> Memory:
        """
        Give a copy that is true for the transaction just begun; read anew if rows were removed by somebody else.

        Takes the row of the site, so a second writer of this site waits (SQLite has but one writer anyhow).
        """
        generation = int(connection.scalar(_GENERATION, {"site": site}) or 0)
        if generation == self.generation:
            return self._copy()
        fresh = _read(connection, site)
        fresh.generation = generation
        for stay in self.stays.all():
            known = fresh.stays.get(stay.mac, stay.segment)
            if known is not None and known.since == stay.since and known.until < stay.until:
                fresh.stays.put(Stay(stay.mac, stay.segment, stay.since, stay.until, known.saved_until))
        return fresh

    def _copy(self) -> Memory:
        copied = {}
        for one in fields(self):
            value = getattr(self, one.name)
            copied[one.name] = value.copy() if hasattr(value, "copy") else value
        return Memory(**copied)


def _read(connection: Connection, site: int) -> Memory:
    memory = Memory()
    one = schema.devices.c
    for number, mac in connection.execute(select(one.id, one.mac).where(one.site == site)):
        memory.devices[mac] = number
    memory.next_device = max(memory.devices.values(), default=0) + 1
    macs = {number: mac for mac, number in memory.devices.items()}

    line = schema.series.c
    for row in connection.execute(select(line.id, line.place, line.kind, line.quantum).where(line.site == site)):
        memory.series[row.place, row.kind] = Line(row.id, row.quantum)
    memory.next_series = max((known.number for known in memory.series.values()), default=0) + 1

    address = schema.addresses.c
    for row in connection.execute(select(schema.addresses).where(address.site == site)):
        seen = Seen(0, row.first_at, row.last_at, 1, row.last_at)
        memory.addresses[row.device, row.segment, row.address] = seen
        memory.addresses_of[row.device] = memory.addresses_of.get(row.device, 0) + 1

    name = schema.names.c
    for row in connection.execute(select(schema.names).where(name.site == site)):
        memory.names[row.device, row.name, row.origin] = Seen(0, row.first_at, row.last_at, 1, row.last_at)
        memory.names_of[row.device] = memory.names_of.get(row.device, 0) + 1

    notice = schema.notices.c
    for row in connection.execute(select(schema.notices).where(notice.site == site)):
        seen = Seen(row.id, row.first_at, row.last_at, row.times, row.last_at)
        memory.notices[row.kind, row.place, row.detail] = seen
    memory.next_notice = max((seen.id for seen in memory.notices.values()), default=0) + 1

    here = schema.present.c
    memory.stays = Stays(
        Stay(macs[row.device], row.segment, row.since, row.until, row.until)
        for row in connection.execute(select(schema.present).where(here.site == site))
        if row.device in macs
    )

    state = schema.health.c
    newest = select(state.source, func.max(state.since).label("since")).where(state.site == site)
    latest = newest.group_by(state.source).subquery()
    rows = select(schema.health).join(
        latest, (state.source == latest.c.source) & (state.since == latest.c.since) & (state.site == site)
    )
    for row in connection.execute(rows):
        memory.health[row.source] = State(row.good, row.reason, row.since, row.until, row.until)
    return memory


def words_of(detail: tuple[tuple[str, str], ...]) -> str:
    """Give the detail of a notice as it is kept: one JSON object, keys sorted."""
    return json.dumps(dict(detail), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
