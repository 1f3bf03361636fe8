"""Weeks are the site's own, also where clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from netaudit.publish.week import last_week, week_of


def test_a_week_begins_on_monday_by_the_sites_clock() -> None:
    """ISO 8601: Monday; at 23:30 UTC on Sunday a site east of Greenwich is in its next week already."""
    late = datetime(2026, 3, 15, 23, 30, tzinfo=UTC)
    assert week_of(late, "UTC")[0].date().isoformat() == "2026-03-09"
    assert week_of(late, "Europe/Helsinki")[0].date().isoformat() == "2026-03-16"


def test_weeks_of_the_clock_change_are_an_hour_longer_or_shorter() -> None:
    """EU summer time begins on 29 March 2026 and ends on 25 October 2026 (Directive 2000/84/EC: last Sundays)."""
    spring = [moment.astimezone(UTC) for moment in week_of(datetime(2026, 3, 25, tzinfo=UTC), "Europe/Lisbon")]
    autumn = [moment.astimezone(UTC) for moment in week_of(datetime(2026, 10, 21, tzinfo=UTC), "Europe/Lisbon")]
    assert spring[1] - spring[0] == timedelta(hours=167)
    assert autumn[1] - autumn[0] == timedelta(hours=169)


def test_the_last_whole_week_ends_where_this_one_begins() -> None:
    """Also on the first day after new year, where the ISO year is another than the calendar's."""
    now = datetime(2027, 1, 1, 12, tzinfo=UTC)
    assert last_week(now, "UTC")[1] == week_of(now, "UTC")[0]
    assert f"{last_week(now, 'UTC')[0]:%G-W%V}" == "2026-W52"
