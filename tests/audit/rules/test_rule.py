from __future__ import annotations

import pytest

from netaudit.audit.rules.rule import amount, lasting, named


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(5, "5 s"), (119, "119 s"), (120, "2 min"), (7199, "120 min"), (7200, "2 h"), (172_800, "2 days")],
)
def test_a_duration_has_the_largest_unit_that_it_fills_twice(seconds: float, words: str) -> None:
    """One unit, whole, never "1 day" for a day and a half."""
    assert lasting(seconds) == words


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("access_point:hall", "access point hall"),
        ("radio:hall/2.4", "access point hall (2.4 GHz)"),
        ("link:switch/shed", "the link of switch shed"),
        ("link:access_point/hall", "the link of access point hall"),
        ("link:wan", "the link wan"),
        ("switch:loft/port:7", "switch loft, port 7"),
        ("router/port:2", "the router, port 2"),
        ("segment:home/gateway", "the router's address in network home"),
        ("device:02:00:5e:00:00:01", "device 02:00:5e:00:00:01"),
        ("segment:home", "network home"),
        ("router", "the router"),
    ],
)
def test_a_place_reads_as_a_person_says_it(place: str, words: str) -> None:
    """No colon, slash or underscore of the ledger is left, but a MAC's."""
    assert named(place) == words


def test_amounts_have_the_unit_that_people_use() -> None:
    """Megabits, terabytes and percent; what is counted is whole."""
    assert amount(6.4e8, "bit/s") == "640.0 Mb/s"
    assert amount(7.2e12, "B") == "7.20 TB"
    assert amount(0.43, "share of the time") == "43 %"
    assert (amount(52.2, "stations"), amount(51.2, "stations", bare=True)) == ("52 stations", "51")
