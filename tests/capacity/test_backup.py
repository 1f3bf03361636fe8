from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import backup
from netaudit.capacity.line import Kind, State
from netaudit.errors import OutOfRange
from tests.capacity.wired_plan import line, plan, step

if TYPE_CHECKING:
    from collections.abc import Callable


def carried(**battery: Any) -> Any:
    """Build a plan with a router of 12 W, a switch of 10 W, a recorder of 28 W and one battery."""
    return plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 8}], "draw": "10 W"}},
        recorder={"vault": {"closet": "hall", "draw": "28 W"}},
        backup={
            "core": {
                "feeds": ["router", "switch:hall", "recorder:vault"],
                "energy": "100 Wh",
                "rating": "100 W",
                "efficiency": 0.8,
                **battery,
            }
        },
    )


# By hand: 100 Wh * 0.8 = 80 Wh; 50 W last 1.6 h = 96 min; 15 min of 50 W are 12.5 Wh.
def test_minutes_at_this_load() -> None:
    """What hangs on the battery, with what it keeps, gives the minutes."""
    verdict = backup.judge(carried())
    found = line(verdict, Kind.BACKUP, "backup:core")
    assert step(found, "load") == 50.0
    assert step(found, "minutes at this load") == pytest.approx(96.0)
    assert [found.supply, found.planned] == pytest.approx([80.0, 12.5])
    rating = line(verdict, Kind.POWER, "backup:core")
    assert (rating.planned, rating.supply, rating.ceiling) == (50.0, 100.0, 0.7)
    assert rating.state is State.WITHIN


# By hand: two years at 10 % a year leave 0.81.
def test_age_takes_its_share() -> None:
    """After two years at 10 % a year 81 % of the minutes are left."""
    found = line(backup.judge(carried(age="2 years", fade_per_year=0.1)), Kind.BACKUP, "backup:core")
    assert step(found, "minutes at this load") == pytest.approx(96.0 * 0.81)


def test_a_switch_carries_what_its_ports_feed() -> None:
    """A powered camera of 6 W adds its watts, the loss of its cable and that of the switch's power unit."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 2}, {"count": 4, "power": "type 2"}], "supply": "60 W"}},
        device={"eye": {"kind": "camera", "at": "kitchen"}},
        backup={"core": {"feeds": ["switch:hall"], "energy": "100 Wh", "rating": "100 W"}},
    )
    load_w = line(backup.judge(site), Kind.POWER, "backup:core").planned
    assert 10.0 + 6.0 / 0.9 < load_w < 10.0 + 6.5 / 0.9


@given(st.floats(1, 1e5), st.floats(1, 1e4), st.floats(0.1, 1.0))
def test_energy_in_is_energy_out(energy_wh: float, load_w: float, efficiency: float) -> None:
    """Load times run time is the energy that the converter passed on."""
    left = backup.energy_left_wh(energy_wh, efficiency=efficiency)
    assert load_w * backup.run_time_s(left, load_w) / 3600.0 == pytest.approx(energy_wh * efficiency)


def test_no_load_lasts_for_ever() -> None:
    """Without a load the time is infinite, not a division by nothing."""
    assert backup.run_time_s(10.0, 0.0) == float("inf")


def test_a_plan_without_batteries_says_nothing() -> None:
    """No battery, no line."""
    assert backup.judge(plan()).lines == ()


def test_impossible_batteries_are_refused() -> None:
    """Negative energy or age, an efficiency above one and a fade of all raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: backup.energy_left_wh(-1.0, efficiency=0.9),
        lambda: backup.energy_left_wh(1.0, efficiency=1.1),
        lambda: backup.energy_left_wh(1.0, efficiency=0.9, age_s=-1.0),
        lambda: backup.energy_left_wh(1.0, efficiency=0.9, fade_per_year=1.0),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
