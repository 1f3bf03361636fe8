from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import growth
from netaudit.errors import OutOfRange


@given(st.floats(0.1, 100.0), st.floats(1.0, 50.0), st.floats(0.001, 1.0))
def test_after_the_years_left_the_demand_is_what_is_usable(demand: float, times: float, yearly: float) -> None:
    """Growing for the years found reaches the usable amount (the equation put back)."""
    years = growth.years_left(demand, demand * times, yearly)
    assert demand * (1.0 + yearly) ** years == pytest.approx(demand * times)


# By hand: 9 ports doubling to the usable 18 at 100 % a year takes one year.
def test_doubling_each_year_reaches_the_double_in_a_year() -> None:
    """What is over the usable amount is outgrown now."""
    assert growth.years_left(9.0, 18.0, 1.0) == pytest.approx(1.0)
    assert growth.years_left(19.0, 18.0, 0.08) == 0.0


def test_what_never_grows_is_never_outgrown() -> None:
    """Without growth, demand or a limit there is no end."""
    assert math.isinf(growth.years_left(9.0, 18.0, 0.0))
    assert math.isinf(growth.years_left(0.0, 18.0, 0.08))
    assert math.isinf(growth.years_left(9.0, math.inf, 0.08))


def test_shrinking_is_not_growth() -> None:
    """A negative growth or demand raises OutOfRange."""
    for demand, yearly in ((1.0, -0.1), (-1.0, 0.1)):
        with pytest.raises(OutOfRange):
            growth.years_left(demand, 2.0, yearly)
