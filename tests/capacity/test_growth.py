from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import growth
from netaudit.capacity.line import Kind, Line
from netaudit.errors import OutOfRange

LINE = Line(
    Kind.PORTS,
    "switch:hall",
    "ports",
    supply=20.0,
    ceiling=0.9,
    ceiling_reason="spare",
    planned=9.0,
    grown=11.25,
    basis="the test",
)


@given(st.floats(0.1, 100.0), st.floats(1.0, 50.0), st.floats(0.001, 1.0))
def test_after_the_years_left_the_demand_is_what_is_usable(demand: float, times: float, yearly: float) -> None:
    """Growing for the years found reaches the usable amount (the equation put back)."""
    years = growth.years_left(demand, demand * times, yearly)
    assert demand * (1.0 + yearly) ** years == pytest.approx(demand * times)


# By hand: 9 ports doubling to the usable 18 at 100 % a year takes one year.
def test_a_line_is_outgrown_at_its_ceiling() -> None:
    """The ceiling counts, not the supply; what is over it is outgrown now."""
    assert growth.outgrown_in(LINE, 1.0) == pytest.approx(1.0)
    assert growth.outgrown_in(replace(LINE, planned=19.0), 0.08) == 0.0


def test_what_never_grows_is_never_outgrown() -> None:
    """Without growth, demand or a limit there is no end."""
    assert math.isinf(growth.outgrown_in(LINE, 0.0))
    assert math.isinf(growth.outgrown_in(replace(LINE, planned=0.0), 0.08))
    assert math.isinf(growth.outgrown_in(replace(LINE, supply=math.inf), 0.08))


def test_shrinking_is_not_growth() -> None:
    """A negative growth or demand raises OutOfRange."""
    for demand, yearly in ((1.0, -0.1), (-1.0, 0.1)):
        with pytest.raises(OutOfRange):
            growth.years_left(demand, 2.0, yearly)
