from __future__ import annotations

import pytest

from netaudit.capacity.line import Kind
from netaudit.capacity.radio import judge
from netaudit.capacity.visitors import present, visitors
from tests.capacity.radio_plan import plan

GUESTS = """
[site]
name = "Guest house"
[segment.home]
network = "10.20.0.0/24"
ssid = "home"
[segment.guests]
network = "10.30.0.0/24"
ssid = "guests"
guests = { arrivals_per_day = 48, stay = "2 h" }
[closet.hall]
[switch.hall]
"""
POINTS = """
[access_point.one]
[access_point.two]
radio = [{band = "2.4"}]
[access_point.staff]
ssids = ["home"]
"""


# Little 1961: L = lambda W.
def test_so_many_are_there_on_average() -> None:
    """48 a day who stay two hours are four at a time."""
    assert present(48, 7200) == pytest.approx(4)


def test_visitors_are_spread_over_what_announces_them() -> None:
    """Two of three access points announce the guests' network: two visitors each, on the best band of both ends."""
    found = visitors(plan(POINTS, head=GUESTS))
    assert {where: [group.count for group in groups] for where, groups in found.items()} == {
        ("one", "5"): [2.0],
        ("two", "2.4"): [2.0],
    }


def test_the_radio_serves_them() -> None:
    """They count as stations and take airtime; without them the radio has none."""
    with_them = judge(plan(POINTS, head=GUESTS))
    without = judge(plan(POINTS, head=GUESTS.replace('guests = { arrivals_per_day = 48, stay = "2 h" }', "")))
    stations = {one.place: one.planned for one in with_them.lines if one.kind is Kind.STATIONS}
    assert stations["radio:two/2.4"] == pytest.approx(2)
    assert stations["radio:staff/5"] == 0
    busy, idle = (
        next(one.planned for one in verdict.lines if one.place == "radio:two/2.4" and one.kind is Kind.AIRTIME)
        for verdict in (with_them, without)
    )
    assert busy > idle


def test_nobody_comes() -> None:
    """No guests in the plan, nobody to spread."""
    assert visitors(plan(POINTS)) == {}
