"""Quiet hours by the site's clock, in ordinary nights and in those in which it is changed."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.notify.quiet import Quiet

MADRID = ZoneInfo("Europe/Madrid")
NIGHT = Quiet(time(22), time(7), MADRID)

# Directive 2000/84/EC, articles 2 and 3: summer time begins and ends at 1:00 UTC on the last Sunday of March and of October;
# in 2026 these are the 29th and the 25th. Beside them: the length of the night from 22:00 to 7:00 by the clock.
NIGHTS = [
    (datetime(2026, 1, 10, 21, tzinfo=UTC), 9),
    (datetime(2026, 7, 10, 20, tzinfo=UTC), 9),
    (datetime(2026, 3, 28, 21, tzinfo=UTC), 8),
    (datetime(2026, 10, 24, 20, tzinfo=UTC), 10),
]


@pytest.mark.parametrize(("begin", "hours"), NIGHTS)
def test_a_night_lasts_from_evening_to_morning_by_the_clock(begin: datetime, hours: int) -> None:
    """Quiet at each minute from 22:00 to 7:00 by the clock, an hour less or more in a night of change; not outside."""
    end = begin + timedelta(hours=hours)
    quiet = [NIGHT.until(begin + timedelta(minutes=minute)) for minute in range(-60, 60 * hours + 60)]
    assert quiet[:60] == [None] * 60
    assert quiet[60:-60] == [end] * (60 * hours)
    assert quiet[-60:] == [None] * 60


# The hour from 2:00 to 3:00 is left out on the first date and comes twice on the second. RFC 5545 section 3.3.5: a time that
# comes twice is the first one; one that is left out is counted by the clock before the change (2:30 is 1:30 UTC).
CHANGES = [
    (time(22), time(2, 30), datetime(2026, 3, 28, 21, tzinfo=UTC), datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
    (time(22), time(2, 30), datetime(2026, 10, 24, 20, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    (time(2, 30), time(6), datetime(2026, 3, 29, 1, 30, tzinfo=UTC), datetime(2026, 3, 29, 4, tzinfo=UTC)),
    (time(2, 30), time(6), datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 5, tzinfo=UTC)),
]


@pytest.mark.parametrize(("first", "last", "begin", "end"), CHANGES)
def test_an_end_in_the_changed_hour_is_one_moment(first: time, last: time, begin: datetime, end: datetime) -> None:
    """One span without a hole, whose ends are those of the standard."""
    quiet = Quiet(first, last, MADRID)
    minutes = int((end - begin).total_seconds() // 60)
    assert [quiet.until(begin + timedelta(minutes=minute)) for minute in range(minutes)] == [end] * minutes
    assert quiet.until(begin - timedelta(minutes=1)) is None
    assert quiet.until(end) is None


MOMENTS = st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - the zone is beside it
TIMES = st.builds(time, st.integers(4, 23), st.integers(0, 59))


@given(MOMENTS, TIMES, TIMES, st.sampled_from(["UTC", "Europe/Madrid", "America/St_Johns", "Australia/Lord_Howe"]))
def test_the_clock_on_the_wall_agrees(now: datetime, begin: time, end: time, name: str) -> None:
    """Two ways agree, with ends away from the changed hours: spans of moments, and what the clock shows."""
    wall = now.astimezone(ZoneInfo(name)).time()
    inside = begin <= wall < end if begin < end else wall >= begin or wall < end
    assert (Quiet(begin, end, ZoneInfo(name)).until(now) is not None) == inside or begin == end


@given(MOMENTS, st.builds(time, st.integers(0, 23), st.integers(0, 59)), TIMES)
def test_the_end_of_quiet_is_not_quiet_and_within_a_day(now: datetime, begin: time, end: time) -> None:
    """Who waits until then may send, and never waits longer than a day and the hour of a change."""
    quiet = Quiet(begin, end, MADRID)
    until = quiet.until(now)
    if until is not None:
        assert now < until <= now + timedelta(hours=25)
        assert begin == end or quiet.until(until) is None
