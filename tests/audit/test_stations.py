from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.audit.stations import ANNOUNCED, FORWARDING, SHARE
from netaudit.site.load import parse_site
from netaudit.site.topology import follow
from tests.audit.scene import PHONE, PLAN, POINT, Scene, small_site, stranger

if TYPE_CHECKING:
    from netaudit.site.model import Band

LOW: tuple[str, Band] = ("hall", "2.4")
HIGH: tuple[str, Band] = ("hall", "5")


def test_as_planned_the_shares_are_the_plans() -> None:
    """With everybody there, each radio has as many stations as the plan puts on it."""
    stations = Scene().everybody().seen().stations
    planned = {key: sum(one.count for one in listed) for key, listed in follow(small_site()).stations.items()}
    assert {key: found.count for key, found in stations.items()} == pytest.approx(planned)
    assert stations[LOW].evidence == SHARE


@given(st.integers(0, 60), st.integers(0, 60))
@settings(max_examples=40, deadline=None)
def test_nobody_is_lost_or_doubled(things: int, guests: int) -> None:
    """Conservation: all radios together have as many stations as there are wireless devices."""
    scene = Scene().here(PHONE)
    for number in range(things):
        scene.here(stranger(number), "things")
    for number in range(guests):
        scene.here(stranger(500 + number), "guests")
    total = sum(one.count for one in scene.seen().stations.values())
    assert total == pytest.approx(1 + things + guests)


def test_unnamed_wired_places_are_not_stations() -> None:
    """Where the plan has wired things without a name, the first strangers are wired in the plan's proportion."""
    site = parse_site(PLAN + '[device.taps]\nkind = "controller"\ncount = 12\nsegment = "things"\n')
    scene = Scene(site=site)
    for number in range(30):
        scene.here(stranger(number), "things")
    # Twelve wired places, twelve wireless ones and six beyond: 30 - 12.
    assert sum(one.count for one in scene.seen().stations.values()) == pytest.approx(18)


def test_the_radio_knows_better_than_the_share() -> None:
    """A number announced in the last minutes goes before the share; an old one doesn't."""
    told = Scene().everybody().tell("radio:hall/2.4", "stations", [17.0])
    assert (told.seen().stations[LOW].count, told.seen().stations[LOW].evidence) == (17.0, ANNOUNCED)
    old = Scene().everybody().tell("radio:hall/2.4", "stations", [17.0, *[None] * 20])
    assert old.seen().stations[LOW].evidence == SHARE


def test_the_forwarding_table_knows_best() -> None:
    """Who is learnt on the access point's port is on it, and nobody else; the announced number steps back."""
    scene = Scene().everybody().tell("radio:hall/2.4", "stations", [17.0])
    for mac in (POINT, stranger(0), stranger(1), PHONE):
        scene.notice("switch:loft/port:3", "forwarding", mac=mac)
    stations = scene.seen().stations
    assert stations[LOW].evidence == FORWARDING
    assert (stations[LOW].count, stations[HIGH].count) == pytest.approx((2.0, 1.0))


def test_an_access_point_with_an_empty_port_has_nobody() -> None:
    """A table that shows only the access point itself is a count of none, not a reason to guess."""
    scene = Scene().everybody().notice("switch:loft/port:3", "forwarding", mac=POINT)
    assert {found.count for found in scene.seen().stations.values()} == {0.0}


@given(
    st.lists(st.sampled_from(["home", "things", "guests"]), max_size=50), st.sampled_from(["home", "things", "guests"])
)
@settings(max_examples=60, deadline=None)
def test_who_joins_lowers_no_count(here: list[str], joins: str) -> None:
    """Monotony: one more device on any segment never lowers the count of any radio."""
    scene = Scene()
    for number, segment in enumerate(here):
        scene.here(stranger(number), segment)
    before = scene.seen().stations
    after = scene.here(stranger(999), joins).seen().stations
    assert all(after[key].count >= before[key].count - 1e-9 for key in before)


def test_who_is_not_in_the_table_hangs_elsewhere() -> None:
    """With the table of one of two access points read, those who are not in it are all on the other one."""
    second = '[access_point.attic]\nswitch = "loft"\nsegment = "home"\nmac = "00:00:5e:00:53:a2"\n'
    scene = Scene(site=parse_site(PLAN + second))
    for number in range(10):
        scene.here(stranger(number), "things")
    for mac in (POINT, stranger(0), stranger(1)):
        scene.notice("switch:loft/port:3", "forwarding", mac=mac)
    stations = scene.seen().stations
    assert (stations["hall", "2.4"].count, stations["attic", "2.4"].count) == pytest.approx((2.0, 8.0))
