from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.stations import Fit, load_that_fills, stations_that_fit


@given(st.floats(0, 1), st.floats(0, 2))
def test_the_load_that_fills_a_share_fills_it(share: float, slope: float) -> None:
    """With a busy share of load + slope x load^2 the load found gives back the share, to a millionth of the channel."""

    def busy(load: float) -> float:
        return load + slope * load * load

    assert busy(load_that_fills(share, busy)) == pytest.approx(share, abs=1e-6)


def test_stations_fill_what_is_left() -> None:
    """40 % to use, 10 % taken, 1 % each: thirty; never fewer than none."""
    assert stations_that_fit(0.4, 0.1, 0.01) == pytest.approx(30)
    assert stations_that_fit(0.1, 0.4, 0.01) == 0


def test_the_lesser_limit_binds() -> None:
    """64 admitted at 80 % are 51; airtime for 20 planned and 50 at most binds first, and keeps its own ceiling."""
    air = Fit(64, 0.8, air_full=50, air_planned=20)
    assert air.bound_by_air
    assert (air.supply, air.share) == (50, 0.4)
    assert air.more(5) == 15
    equipment = Fit(64, 0.8, air_full=500, air_planned=200)
    assert not equipment.bound_by_air
    assert (equipment.supply, equipment.share) == (64, 0.8)
    assert equipment.more(40) == 11
    assert equipment.more(60) == 0


@given(st.floats(1, 500), st.floats(0.1, 1), st.floats(0, 500), st.floats(0, 1), st.floats(0, 500))
def test_more_fits_exactly_up_to_what_is_planned(
    admitted: float, ceiling: float, full: float, part: float, stations: float
) -> None:
    """With as many more as are offered both limits hold; with one more, one of them doesn't."""
    fit = Fit(admitted, ceiling, full, full * part)
    more = fit.more(stations)
    usable = min(admitted * ceiling, full * part)
    assert fit.supply * fit.share == pytest.approx(usable, abs=1e-9)
    assert more == 0 or stations + more <= usable + 1e-6
    assert stations + more + 1 > usable - 1e-6
