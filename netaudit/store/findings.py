"""
The life of a finding: opened once, updated while it holds, closed once; acknowledged or muted by a person in between.

A key is unique among the open ones; the same trouble coming back later is a new finding with the same key.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Row, func, insert, select, update

from netaudit.errors import StoreError
from netaudit.store import schema
from netaudit.store.moment import moment, moment_or_none, seconds
from netaudit.store.upsert import next_rev

if TYPE_CHECKING:
    from datetime import datetime

Evidence = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Finding:
    """
    A judgement as kept.

    key            names the trouble, e.g. `outgrown switch:barn/ports`; rule: which rule found it; place: where
    text           one sentence for a person; evidence: what it rests on, as JSON values
    acknowledged_at  a person has seen it; muted_until: nothing is told of it before then; reason: what that person wrote
    """

    key: str
    rule: str
    place: str
    text: str
    evidence: dict[str, Any]
    opened_at: datetime
    updated_at: datetime
    closed_at: datetime | None
    acknowledged_at: datetime | None
    muted_until: datetime | None
    reason: str

    def muted(self, now: datetime) -> bool:
        """Say whether a person asked not to be told of it at this time."""
        return self.muted_until is not None and now < self.muted_until


def save(
    connection: Connection, site: int, *, key: str, rule: str, place: str, text: str, evidence: Evidence, at: datetime
) -> tuple[Finding, bool]:
    """
    Open a finding, or update the open one with this key.

    Returns:   the finding as kept, and whether it was opened just now.
    Raises:    StoreError: the evidence holds something that is no JSON value.
    """
    try:
        kept = json.dumps(evidence, sort_keys=True, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise StoreError(f"finding {key}: evidence must be JSON values: {error}") from None
    values = {"rule": rule, "place": place, "text": text, "evidence": kept, "updated_at": seconds(at)}
    found = _open(connection, site, key)
    values["rev"] = next_rev(connection, site)
    one = schema.findings.c
    if found is None:
        number = int(connection.scalar(select(func.coalesce(func.max(one.id), 0)).where(one.site == site)) or 0) + 1
        opened = {"site": site, "id": number, "key": key, "opened_at": seconds(at), "reason": ""}
        connection.execute(insert(schema.findings).values(**opened, **values))
    else:
        values["updated_at"] = max(found.updated_at, seconds(at))
        connection.execute(update(schema.findings).where(one.site == site, one.id == found.id).values(**values))
    return _finding(_must(connection, site, key)), found is None


def close(connection: Connection, site: int, key: str, at: datetime) -> Finding | None:
    """Close the open finding with this key; None if there is none."""
    found = _open(connection, site, key)
    if found is None:
        return None
    closed_at = max(seconds(at), found.opened_at)
    _change(connection, site, found, closed_at=closed_at)
    one = schema.findings.c
    asked = select(schema.findings).where(one.site == site, one.id == found.id)
    return _finding(connection.execute(asked).one())


def acknowledge(connection: Connection, site: int, key: str, at: datetime, reason: str) -> Finding:
    """Note that a person has seen the open finding. Raises StoreError: there is none with this key."""
    _change(connection, site, _must(connection, site, key), acknowledged_at=seconds(at), reason=reason)
    return _finding(_must(connection, site, key))


def mute(connection: Connection, site: int, key: str, until: datetime, reason: str) -> Finding:
    """Tell nothing of the open finding until then. Raises StoreError: there is none with this key, or no reason."""
    if not reason.strip():
        raise StoreError(f"finding {key}: muting needs a reason: write why nobody need be told")
    _change(connection, site, _must(connection, site, key), muted_until=seconds(until), reason=reason)
    return _finding(_must(connection, site, key))


def open_ones(connection: Connection, site: int) -> list[Finding]:
    """List the open findings, oldest first."""
    one = schema.findings.c
    asked = select(schema.findings).where(one.site == site, one.closed_at.is_(None))
    return [_finding(row) for row in connection.execute(asked.order_by(one.opened_at, one.id))]


def closed_ones(connection: Connection, site: int, since: datetime, until: datetime) -> list[Finding]:
    """List the findings that were closed in [since, until), oldest first."""
    one = schema.findings.c
    asked = select(schema.findings).where(
        one.site == site, one.closed_at >= seconds(since), one.closed_at < seconds(until)
    )
    return [_finding(row) for row in connection.execute(asked.order_by(one.closed_at, one.id))]


def _open(connection: Connection, site: int, key: str) -> Row[Any] | None:
    one = schema.findings.c
    asked = select(schema.findings).where(one.site == site, one.key == key, one.closed_at.is_(None))
    return connection.execute(asked).first()


def _must(connection: Connection, site: int, key: str) -> Row[Any]:
    found = _open(connection, site, key)
    if found is None:
        raise StoreError(f"finding {key}: is not open: see the list of open findings for its name")
    return found


def _change(connection: Connection, site: int, found: Row[Any], **values: object) -> None:
    one = schema.findings.c
    connection.execute(
        update(schema.findings)
        .where(one.site == site, one.id == found.id)
        .values(**values, rev=next_rev(connection, site))
    )


def _finding(row: Row[Any]) -> Finding:
    return Finding(
        row.key,
        row.rule,
        row.place,
        row.text,
        json.loads(row.evidence),
        moment(row.opened_at),
        moment(row.updated_at),
        moment_or_none(row.closed_at),
        moment_or_none(row.acknowledged_at),
        moment_or_none(row.muted_until),
        row.reason,
    )
