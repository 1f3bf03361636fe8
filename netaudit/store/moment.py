"""Moments: aware UTC outside, whole seconds since 1970 in the tables."""

from __future__ import annotations

from datetime import UTC, datetime

from netaudit.errors import OutOfRange


def seconds(at: datetime) -> int:
    """
    Give a moment as whole seconds since 1970 UTC, rounded down.

    Raises:    OutOfRange: it has no time zone, and guessing one would move data by hours.
    """
    if at.tzinfo is None:
        raise OutOfRange(f"{at.isoformat()}: a moment without a time zone: give it one, e.g. UTC")
    return int(at.timestamp() // 1)


def moment(at: int) -> datetime:
    """Give seconds since 1970 UTC as an aware moment."""
    return datetime.fromtimestamp(at, UTC)


def moment_or_none(at: int | None) -> datetime | None:
    """Give seconds since 1970 UTC as an aware moment, None as None."""
    return None if at is None else moment(at)
