from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from netaudit.capacity import power_classes as pc
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable

watts = st.floats(0.0, 90.0)
volts = st.floats(20.0, 57.0)
ohms = st.floats(0.0, 25.0)


@given(watts, volts, ohms)
def test_power_in_is_power_delivered_and_lost(device_w: float, supply_v: float, loop_ohm: float) -> None:
    """What the port gives equals what arrives and what the cable keeps; the device sees its watts at its voltage."""
    assume(4.0 * loop_ohm * device_w <= supply_v**2)
    fed = pc.feed(device_w, supply_v=supply_v, loop_ohm=loop_ohm)
    assert fed.supply_w == pytest.approx(fed.device_w + fed.loss_w, rel=1e-9, abs=1e-9)
    assert fed.device_v * fed.current_a == pytest.approx(device_w, rel=1e-6, abs=1e-6)


# The equation of IEEE 802.3 33.2.6 solved by scipy's bracketing root finder: (V - I R) I = P on the stable branch.
@given(st.floats(1.0, 60.0), st.floats(40.0, 57.0), st.floats(0.1, 12.5))
def test_the_current_is_the_root_that_a_solver_finds(device_w: float, supply_v: float, loop_ohm: float) -> None:
    """The closed form and a numeric root of the same circuit agree."""
    assume(4.0 * loop_ohm * device_w < 0.99 * supply_v**2)
    root = brentq(lambda amps: (supply_v - amps * loop_ohm) * amps - device_w, 0.0, supply_v / (2.0 * loop_ohm))
    assert pc.feed(device_w, supply_v=supply_v, loop_ohm=loop_ohm).current_a == pytest.approx(root, rel=1e-6)


@given(watts, volts, ohms, st.floats(0.0, 5.0))
def test_a_longer_cable_never_lets_more_arrive(
    port_w: float, supply_v: float, loop_ohm: float, more_ohm: float
) -> None:
    """With more cable the same port delivers no more, and never more than it gives."""
    here = pc.arriving_w(port_w, supply_v=supply_v, loop_ohm=loop_ohm)
    assert 0.0 <= here <= port_w + 1e-9
    assert pc.arriving_w(port_w, supply_v=supply_v, loop_ohm=loop_ohm + more_ohm) <= here + 1e-9


@given(st.floats(0.1, 90.0), volts, ohms)
def test_what_arrives_can_be_fed(port_w: float, supply_v: float, loop_ohm: float) -> None:
    """Feeding a device that takes just what arrives asks the port for just what it gives (two ways agree)."""
    arrives = pc.arriving_w(port_w, supply_v=supply_v, loop_ohm=loop_ohm)
    most = math.inf if loop_ohm == 0.0 else supply_v**2 / (4.0 * loop_ohm)
    assume(port_w < supply_v**2 / (2.0 * loop_ohm) * 0.99 if loop_ohm else True)
    assume(arrives < most * 0.999)
    assert pc.feed(arrives, supply_v=supply_v, loop_ohm=loop_ohm).supply_w == pytest.approx(port_w, rel=1e-6)


# IEEE 802.3 145.2.8: each printed supply figure is the device's through the longest cable at the lowest voltage.
@pytest.mark.parametrize("number", range(1, 9))
def test_each_class_is_its_own_longest_cable(number: int) -> None:
    """The class equation reproduces every supply figure of clause 145 to 0.1 W."""
    known = pc.CLASSES[number]
    supply_v = pc.TYPES[max(known.least_type, 3)].output_min_v
    fed = pc.feed(known.device_w, supply_v=supply_v, loop_ohm=12.5 * 2.0 / known.pairs)
    # 12.95 W is clause 33's class 3; clause 145 has 13 W, and prints 4.0 W for class 1 where 3.92 would do.
    assert fed.supply_w == pytest.approx(known.supply_w, abs=0.1)


def test_a_class_never_takes_more_than_it_is_given() -> None:
    """Device power is below supply power, and both rise with the class."""
    ordered = [pc.CLASSES[number] for number in range(1, 9)]
    assert all(known.device_w < known.supply_w <= known.reserve_w for known in ordered)
    assert [known.reserve_w for known in ordered] == sorted(known.reserve_w for known in ordered)


def test_two_signatures_add() -> None:
    """Classes 4 and 3 on two pairsets set aside 30 and 14 W (IEEE 802.3 Table 145-12)."""
    assert pc.reserve_w(4, 3) == 44.0


@given(st.floats(0.0, 71.3))
def test_the_class_of_a_draw_is_the_lowest_that_covers_it(draw_w: float) -> None:
    """The class found covers the draw and the one below it doesn't."""
    number = pc.class_of_draw(draw_w)
    assert pc.CLASSES[number].device_w >= draw_w
    assert number == 1 or pc.CLASSES[number - 1].device_w < draw_w


def test_impossible_power_is_refused() -> None:
    """More than a cable can pass, negative values, and classes that don't exist raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: pc.feed(40.0, supply_v=24.0, loop_ohm=12.5),
        lambda: pc.feed(-1.0, supply_v=48.0, loop_ohm=1.0),
        lambda: pc.feed(float("nan"), supply_v=48.0, loop_ohm=1.0),
        lambda: pc.arriving_w(1.0, supply_v=0.0, loop_ohm=1.0),
        lambda: pc.class_of_draw(71.4),
        lambda: pc.reserve_w(9),
        lambda: pc.reserve_w(6, 1),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
