from __future__ import annotations

import pytest

from netaudit.capacity.places import Levels, Paths, Point, access_point_point, place_point
from netaudit.capacity.propagation import OUTER_WALL_DB, indoor_loss_db, wall_loss_db
from netaudit.capacity.rates import Band
from tests.capacity.radio_plan import plan

G2 = Band.GHZ_2_4
HOUSE = """
[building.house]
[building.barn]
[room.a]
building = "house"
x = "0 m"
y = "0 m"
width = "4 m"
depth = "2 m"
[room.up]
building = "house"
floor = 1
x = "0 m"
y = "0 m"
width = "4 m"
depth = "2 m"
[room.b]
building = "house"
x = "10 m"
y = "0 m"
width = "4 m"
depth = "2 m"
[room.barn]
building = "barn"
x = "30 m"
y = "0 m"
[room.lost]
building = "house"
[access_point.ap]
at = "a"
[access_point.moved]
at = "up"
x = "1 m"
y = "1 m"
[access_point.nowhere]
at = "lost"
"""
WALL = """
[[wall]]
building = "house"
x1 = "6 m"
y1 = "-5 m"
x2 = "6 m"
y2 = "5 m"
material = "brick"
"""


def test_rooms_are_taken_at_their_middle() -> None:
    """A room of 4 by 2 m from the corner has its middle at 2, 1; an own position goes first; unknown stays unknown."""
    site = plan(HOUSE)
    assert place_point(site, "a") == Point(2, 1, 0, "house")
    assert access_point_point(site, site.access_point["ap"]) == Point(2, 1, 0, "house")
    assert access_point_point(site, site.access_point["moved"]) == Point(1, 1, 1, "house")
    assert access_point_point(site, site.access_point["nowhere"]) is None
    assert place_point(site, "lost") is None
    assert place_point(site, None) is None


def test_a_wall_between_costs_its_loss() -> None:
    """10 m through one brick wall lose what 10 m lose and what the wall loses; beside the wall nothing is added."""
    bare, walled = plan(HOUSE), plan(HOUSE + WALL)
    here, there = Point(2, 1, 0, "house"), Point(12, 1, 0, "house")
    free = Paths(bare).loss_db(here, there, G2)
    assert free == pytest.approx(indoor_loss_db(2437, 10))
    assert Paths(walled).loss_db(here, there, G2) == pytest.approx(free + wall_loss_db("brick", G2))
    assert Paths(walled).loss_db(there, here, G2) == pytest.approx(free + wall_loss_db("brick", G2))
    beside = Point(5, 1, 0, "house")
    assert Paths(walled).loss_db(here, beside, G2) == Paths(bare).loss_db(here, beside, G2)


def test_floors_and_buildings_cost_theirs() -> None:
    """Straight up one floor: its height and the floor's loss; to the barn: the distance and both outer walls."""
    site = plan(HOUSE + WALL)
    paths = Paths(site)
    here = Point(2, 1, 0, "house")
    assert paths.loss_db(here, Point(2, 1, 1, "house"), G2) == pytest.approx(indoor_loss_db(2437, 2.7, 1))
    barn = paths.loss_db(here, Point(30, 1, 0, "barn"), G2)
    assert barn == pytest.approx(indoor_loss_db(2437, 28) + 2 * OUTER_WALL_DB)


def test_levels_are_power_less_loss() -> None:
    """Level in a room = radiated power - loss; None where a position is unknown, which counts as hearing."""
    site = plan(HOUSE)
    levels = Levels(site)
    assert levels.at_place("b", "ap", G2, 20.0) == pytest.approx(20 - indoor_loss_db(2437, 10))
    assert levels.at_place("lost", "ap", G2, 20.0) is None
    assert levels.at_place("a", "nowhere", G2, 20.0) is None
    assert levels.hears("ap", "moved", G2, eirp_dbm=20, least_dbm=-82)
    assert not levels.hears("ap", "moved", G2, eirp_dbm=-40, least_dbm=-82)
    assert levels.hears("ap", "nowhere", G2, eirp_dbm=-40, least_dbm=-82)
