from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import cable
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable

gauges = st.sampled_from(list(cable.GAUGES_AWG))


# ASTM B258 defines two gauges and spaces the others evenly in between: 36 is 0.005 inch, 4/0 (-3) is 0.46 inch.
def test_the_defining_gauge_lies_on_the_formula() -> None:
    """Six gauges thinner is half the diameter to 0.3 % (92^(6/39) = 2.005), the rule that the standard is known by."""
    assert cable.diameter_m(18) / cable.diameter_m(24) == pytest.approx(92 ** (6 / 39), rel=1e-12)
    assert cable.diameter_m(24) / cable.diameter_m(30) == pytest.approx(2.005, abs=0.0005)


@given(gauges, st.floats(0.0, 100.0), st.floats(0.0, 100.0), st.floats(-40.0, 90.0))
def test_resistance_adds_along_a_cable(gauge: int, first_m: float, second_m: float, warm_c: float) -> None:
    """Two cables in a row have the resistance of one as long as both."""
    both = cable.conductor_ohm(gauge, first_m + second_m, temperature_c=warm_c)
    parts = sum(cable.conductor_ohm(gauge, part, temperature_c=warm_c) for part in (first_m, second_m))
    assert both == pytest.approx(parts, rel=1e-9, abs=1e-12)


@given(gauges, st.floats(1.0, 100.0), st.floats(-40.0, 89.0))
def test_warm_thin_and_two_pairs_resist_more(gauge: int, length_m: float, cold_c: float) -> None:
    """Warmer copper resists more; four pairs halve the loop of two."""
    cold = cable.power_loop_ohm(gauge, length_m, pairs=2, temperature_c=cold_c)
    assert cable.power_loop_ohm(gauge, length_m, pairs=2, temperature_c=cold_c + 1.0) > cold
    assert cable.power_loop_ohm(gauge, length_m, pairs=4, temperature_c=cold_c) == pytest.approx(cold / 2.0)


def test_a_higher_category_never_reaches_less() -> None:
    """Up to 10 Gb/s each category carries each rate at least as far as the one below it."""
    for rate_bps in (10e6, 100e6, 1e9, 2.5e9, 5e9, 10e9):
        reaches = [cable.reach_m(name, rate_bps) or 0.0 for name in cable.CATEGORIES]
        assert reaches == sorted(reaches)


def test_bundles_shorten_what_crosstalk_limits() -> None:
    """10 Gb/s over Cat6 is sure to 37 m in a bundle and 55 m alone (TIA TSB-155-A); Cat6A doesn't mind."""
    assert cable.reach_m("cat6", 10e9) == 55.0
    assert cable.reach_m("cat6", 10e9, bundled=True) == 37.0
    assert cable.reach_m("cat6a", 10e9, bundled=True) == 100.0


# IEEE 802.3 clauses 40 and 55; TIA TSB-155-A.
@pytest.mark.parametrize(
    ("rate_bps", "length_m", "wanted"),
    [(1e9, 100.0, "cat5"), (10e9, 50.0, "cat6"), (10e9, 56.0, "cat6a"), (40e9, 30.0, "cat8"), (40e9, 31.0, None)],
)
def test_the_cure_is_the_lowest_category_that_works(rate_bps: float, length_m: float, wanted: str | None) -> None:
    """The category named as a cure carries the rate so far, and no lower one does."""
    assert cable.least_category(rate_bps, length_m) == wanted


def test_only_thick_conductors_are_fixed_cable() -> None:
    """AWG 24 keeps within 9.38 ohm for 100 m (TIA-568.2-D 6.7), AWG 26 doesn't."""
    assert cable.is_thick_enough(24)
    assert not cable.is_thick_enough(26)


def test_what_is_no_cable_is_refused() -> None:
    """Unknown gauges, categories, lengths, temperatures and pair counts raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: cable.diameter_m(40),
        lambda: cable.conductor_ohm(24, -1.0),
        lambda: cable.conductor_ohm(24, float("nan")),
        lambda: cable.conductor_ohm(24, 1.0, temperature_c=200.0),
        lambda: cable.power_loop_ohm(24, 1.0, pairs=3),
        lambda: cable.reach_m("cat9", 1e9),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
