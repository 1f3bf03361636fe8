"""
Reading. Every query over samples or roll-ups is a range of keys; a test reads SQLite's plan of each.

Each function takes an open connection and the site's number. A span is [since, until).
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Row, Select, Table, case, func, select, true

from netaudit.store import schema
from netaudit.store.key import DAY_S, HOUR_S, SERIES_BITS, first_key, index_of, series_of
from netaudit.store.moment import moment, moment_or_none, seconds
from netaudit.store.records import Address, Condition, Device, Heard, Interval, Name, Reading, Rollup, Summary
from netaudit.store.unit import measured

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import datetime, timedelta

    from netaudit.store.memory import Seen
    from netaudit.store.stay import Stay

# How far back `latest` looks: older than a day is not "now" for anything that is asked every few minutes.
LATEST_S: Final = DAY_S
STEP_S: Final = {"hourly": HOUR_S, "daily": DAY_S}
_MASK: Final = (1 << SERIES_BITS) - 1


def series_line(connection: Connection, site: int, place: str, kind: str) -> tuple[int, float] | None:
    """Give the number and the quantum of a series; None if it has no sample yet."""
    line = schema.series.c
    row = connection.execute(
        select(line.id, line.quantum).where(line.site == site, line.kind == kind, line.place == place)
    ).first()
    return None if row is None else (row.id, row.quantum)


def places(connection: Connection, site: int, kind: str) -> list[str]:
    """List the places that have samples of this kind."""
    line = schema.series.c
    asked = select(line.place).where(line.site == site, line.kind == kind).order_by(line.place)
    return list(connection.scalars(asked))


def span(table: Table, site: int, first: int, last: int) -> Select[Any]:
    """Select a table's rows with first <= index < last."""
    return select(table).where(table.c.site == site, table.c.key >= first_key(first), table.c.key < first_key(last))


def latest(connection: Connection, site: int, *, place: str, kind: str, now: datetime) -> Reading | None:
    """Give the latest sample of a series, if it has one of the last day."""
    line = series_line(connection, site, place, kind)
    if line is None:
        return None
    number, quantum = line
    sample, now_s = schema.samples.c, seconds(now)
    asked = (
        span(schema.samples, site, now_s - LATEST_S, now_s + HOUR_S)
        .where(sample.key.op("&")(_MASK) == number)
        .order_by(sample.key.desc())
        .limit(1)
    )
    row = connection.execute(asked).first()
    return None if row is None else Reading(moment(index_of(row.key)), measured(row.value, quantum))


def latest_all(connection: Connection, site: int, now: datetime, within: timedelta) -> dict[tuple[str, str], Reading]:
    """Give the latest sample of every series that has one within this time, by (place, kind)."""
    lines = _lines(connection, site)
    now_s = seconds(now)
    found: dict[tuple[str, str], Reading] = {}
    asked = span(schema.samples, site, now_s - int(within.total_seconds()), now_s + HOUR_S)
    for row in connection.execute(asked.order_by(schema.samples.c.key)):
        line = lines.get(series_of(row.key))
        if line is not None:
            place, kind, quantum = line
            found[place, kind] = Reading(moment(index_of(row.key)), measured(row.value, quantum))
    return found


def series(
    connection: Connection, site: int, *, place: str, kind: str, since: datetime, until: datetime
) -> list[Reading]:
    """Give the raw samples of a series, oldest first."""
    line = series_line(connection, site, place, kind)
    if line is None:
        return []
    number, quantum = line
    sample = schema.samples.c
    asked = (
        span(schema.samples, site, seconds(since), seconds(until))
        .where(sample.key.op("&")(_MASK) == number)
        .order_by(sample.key)
    )
    return [Reading(moment(index_of(row.key)), measured(row.value, quantum)) for row in connection.execute(asked)]


def rollups(
    connection: Connection, site: int, *, step: str, since: datetime, until: datetime, place: str, kind: str
) -> list[Rollup]:
    """Give the hours or days (step "hourly" or "daily") of one series that begin in the span, oldest first."""
    line = series_line(connection, site, place, kind)
    if line is None:
        return []
    number, quantum = line
    table, step_s = schema.metadata.tables[step], STEP_S[step]
    first, last = -(-seconds(since) // step_s), -(-seconds(until) // step_s)
    asked = span(table, site, first, last).where(table.c.key.op("&")(_MASK) == number).order_by(table.c.key)
    return [_rollup(row, step_s, place, kind, quantum) for row in connection.execute(asked)]


def summaries(
    connection: Connection, site: int, *, step: str, since: datetime, until: datetime, kind: str
) -> list[Summary]:
    """Take the span together for each series of this kind, from hours or days, ordered by place."""
    return [
        _summary(row, place, kind, quantum)
        for row, place, quantum in _grouped(connection, site, step=step, since=since, until=until, kind=kind)
    ]


def weeks(
    connection: Connection, site: int, since: datetime, until: datetime, kind: str
) -> dict[datetime, list[Summary]]:
    """Take each seven days from `since` together, from days, for each series of this kind: a year's trend."""
    found: dict[datetime, list[Summary]] = {}
    start = -(-seconds(since) // DAY_S)
    for row, place, quantum in _grouped(
        connection, site, step="daily", since=since, until=until, kind=kind, week_of=start
    ):
        at = moment((start + 7 * row.week) * DAY_S)
        found.setdefault(at, []).append(_summary(row, place, kind, quantum))
    return found


def _grouped(
    connection: Connection,
    site: int,
    *,
    step: str,
    since: datetime,
    until: datetime,
    kind: str,
    week_of: int | None = None,
) -> Iterator[tuple[Row[Any], str, float]]:
    table, step_s = schema.metadata.tables[step], STEP_S[step]
    first, last = -(-seconds(since) // step_s), -(-seconds(until) // step_s)
    lines = {number: line for number, line in _lines(connection, site).items() if line[1] == kind}
    one = table.c
    number = one.key.op("&")(_MASK)
    answered = one.asked - one.lost
    columns = [
        number.label("number"),
        func.sum(one.asked).label("asked"),
        func.sum(one.lost).label("lost"),
        func.min(one.low).label("low"),
        (func.sum(one.mean * answered) / func.sum(case((one.mean.is_not(None), answered), else_=None))).label("mean"),
        func.avg(one.p95).label("p95_mean"),
        func.max(one.p95).label("p95_worst"),
        func.max(one.high).label("high"),
    ]
    groups: list[Any] = [number]
    if week_of is not None:
        week = (one.key - first_key(week_of)) // first_key(7)
        columns.append(week.label("week"))
        groups.append(week)
    asked = (
        select(*columns)
        .where(one.site == site, one.key >= first_key(first), one.key < first_key(last))
        .group_by(*groups)
    )
    for row in sorted(connection.execute(asked), key=lambda row: lines[row.number][0] if row.number in lines else ""):
        if row.number in lines:
            place, _, quantum = lines[row.number]
            yield row, place, quantum


def _lines(connection: Connection, site: int) -> dict[int, tuple[str, str, float]]:
    line = schema.series.c
    asked = select(line.id, line.place, line.kind, line.quantum).where(line.site == site)
    return {row.id: (row.place, row.kind, row.quantum) for row in connection.execute(asked)}


def _rollup(row: Row[Any], step_s: int, place: str, kind: str, quantum: float) -> Rollup:
    numbers = (measured(value, quantum) for value in (row.low, row.mean, row.p50, row.p95, row.high))
    return Rollup(moment(index_of(row.key) * step_s), place, kind, row.asked, row.lost, *numbers)


def _summary(row: Row[Any], place: str, kind: str, quantum: float) -> Summary:
    numbers = (measured(value, quantum) for value in (row.low, row.mean, row.p95_mean, row.p95_worst, row.high))
    return Summary(place, kind, int(row.asked), int(row.lost), *numbers)


def devices(connection: Connection, site: int) -> list[Device]:
    """List all devices with their addresses and names, ordered by MAC."""
    one = schema.devices.c
    addresses: dict[int, list[Address]] = {}
    use = schema.addresses.c
    for row in connection.execute(select(schema.addresses).where(use.site == site).order_by(use.last_at.desc())):
        address = Address(row.address, row.segment, row.how, moment(row.first_at), moment(row.last_at))
        addresses.setdefault(row.device, []).append(address)
    names: dict[int, list[Name]] = {}
    called = schema.names.c
    for row in connection.execute(select(schema.names).where(called.site == site).order_by(called.last_at.desc())):
        name = Name(row.name, row.origin, moment(row.first_at), moment(row.last_at))
        names.setdefault(row.device, []).append(name)
    here = schema.present.c
    latest_end = select(here.device, func.max(here.until).label("until")).where(here.site == site)
    ends = {row.device: row.until for row in connection.execute(latest_end.group_by(here.device))}
    return [
        Device(
            row.mac,
            moment(row.first_at),
            moment_or_none(max((end for end in (row.last_at, ends.get(row.id)) if end is not None), default=None)),
            tuple(addresses.get(row.id, ())),
            tuple(names.get(row.id, ())),
        )
        for row in connection.execute(select(schema.devices).where(one.site == site).order_by(one.mac))
    ]


def with_end(device: Device, last_at: datetime | None) -> Device:
    """Give the device with this last sighting, if it is later than the one that is kept."""
    if last_at is None or (device.last_at is not None and device.last_at >= last_at):
        return device
    return replace(device, last_at=last_at)


def intervals(
    connection: Connection, site: int, *, since: datetime, until: datetime, mac: str | None, growing: Iterable[Stay]
) -> list[Interval]:
    """
    Give the intervals of presence that touch the span, of all devices or of one, by beginning.

    Args:      growing: what the writer knows of intervals that may still grow, later than what is kept of them.
    """
    one = schema.devices.c
    found: dict[tuple[str, str, int], int] = {}
    for table in (schema.presence, schema.present):
        stay = table.c
        # No lower bound for those that may still grow: the end that is kept of them may be seven minutes old.
        ended = stay.until >= seconds(since) if table is schema.presence else true()
        asked = (
            select(one.mac, stay.segment, stay.since, stay.until)
            .join_from(table, schema.devices, (stay.site == one.site) & (stay.device == one.id))
            .where(stay.site == site, ended, stay.since < seconds(until))
        )
        if mac is not None:
            asked = asked.where(one.mac == mac)
        for row in connection.execute(asked):
            found[row.mac, row.segment, row.since] = row.until
    for known in growing:
        key = known.mac, known.segment, known.since
        if key in found:
            found[key] = max(found[key], known.until)
    stays = [
        Interval(mac, segment, moment(begin), moment(end))
        for (mac, segment, begin), end in found.items()
        if end >= seconds(since)
    ]
    return sorted(stays, key=lambda stay: (stay.since, stay.mac, stay.segment))


def notices(
    connection: Connection,
    site: int,
    since: datetime,
    until: datetime,
    kind: str | None = None,
    *,
    repeated: Mapping[tuple[str, str, str], Seen],
) -> list[Heard]:
    """
    Give what collectors said in the span that is no number, latest first.

    Args:      repeated: the writer's memory; the table learns only now and then that a notice was said again.
    """
    one = schema.notices.c
    asked = select(schema.notices).where(one.site == site, one.last_at >= seconds(since), one.first_at < seconds(until))
    if kind is not None:
        asked = asked.where(one.kind == kind)
    found = {
        (row.kind, row.place, row.detail): (row.first_at, row.last_at, row.times) for row in connection.execute(asked)
    }
    for key, seen in repeated.items():
        if kind in (None, key[0]) and seen.last_at >= seconds(since) and seen.first_at < seconds(until):
            found[key] = (seen.first_at, seen.last_at, seen.times)
    heard = [
        Heard(place, said, tuple(sorted(json.loads(detail).items())), moment(first_at), moment(last_at), times)
        for (said, place, detail), (first_at, last_at, times) in found.items()
    ]
    heard.sort(key=lambda notice: (-notice.last_at.timestamp(), notice.kind, notice.place, notice.detail))
    return heard


def conditions(connection: Connection, site: int) -> list[Condition]:
    """Give for each source how it does since its last change, ordered by name."""
    one = schema.health.c
    last: dict[str, Condition] = {}
    for row in connection.execute(select(schema.health).where(one.site == site).order_by(one.source, one.since)):
        last[row.source] = Condition(row.source, row.good, row.reason, moment(row.since), moment(row.until))
    return list(last.values())


def with_attempt(kept: Condition, newer: tuple[datetime, str] | None) -> Condition:
    """Give the condition with this latest attempt and its reason, if it is later than the one that is kept."""
    if newer is None or newer[0] <= kept.until:
        return kept
    return replace(kept, until=newer[0], reason=newer[1])
