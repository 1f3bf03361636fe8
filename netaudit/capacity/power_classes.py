"""
Power over Ethernet: what a port gives, what the cable keeps, what arrives.

IEEE 802.3 clause 33 (af, at: types 1 and 2, classes 0 to 4) and clause 145 (bt: types 3 and 4, classes 1 to 8). A port
may feed more than the device takes, because the cable keeps a share; one equation gives all: the device takes a constant
power P through a loop R from a voltage V, so I = (V - sqrt(V^2 - 4 R P)) / (2 R).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from netaudit.capacity.cable import heat_w, voltage_drop_v
from netaudit.errors import OutOfRange


@dataclass(frozen=True, slots=True)
class PoeType:
    """
    A type of power sourcing equipment and of the devices made for it.

    pairs it may use; classes it offers; output voltage of the port and least voltage at the device [V]; current of one
    pairset [A]; loop of one pairset that the standard reckons with [ohm]; the least category of cable; port_power_w, what
    a port must be able to give for its highest class [W].
    """

    number: int
    standard: str
    pairs: tuple[int, ...]
    classes: tuple[int, ...]
    output_min_v: float
    output_max_v: float
    device_min_v: float
    pairset_a: float
    pairset_loop_ohm: float
    least_category: str
    port_power_w: float


# IEEE 802.3 Tables 33-1, 33-11 (types 1, 2), 145-1, 145-16 (types 3, 4). From memory and backed by the class equation:
# the bt rows, the loops, and the device voltage of type 4 (52 V less 1.73 A through 6.25 ohm).
TYPES: dict[int, PoeType] = {
    1: PoeType(1, "802.3af-2003", (2,), (0, 1, 2, 3), 44.0, 57.0, 37.0, 0.35, 20.0, "Cat3", 15.4),
    2: PoeType(2, "802.3at-2009", (2,), (0, 1, 2, 3, 4), 50.0, 57.0, 42.5, 0.6, 12.5, "Cat5", 30.0),
    3: PoeType(3, "802.3bt-2018", (2, 4), (1, 2, 3, 4, 5, 6), 50.0, 57.0, 42.5, 0.6, 12.5, "Cat5", 60.0),
    4: PoeType(4, "802.3bt-2018", (2, 4), (1, 2, 3, 4, 5, 6, 7, 8), 52.0, 57.0, 41.1, 0.96, 12.5, "Cat5", 90.0),
}

# IEEE 802.3-2022 Tables 145-1 and 145-16: the most that any port gives, both pairsets together.
PORT_CEILING_A = 1.92
PORT_CEILING_W = 99.9


@dataclass(frozen=True, slots=True)
class PoeClass:
    """
    A power class of a device with one signature.

    device_w is the most it may take; supply_w the least that a port must be able to give by clause 145 (bt), reserve_w
    what to set aside: the clause 33 (af/at) figure for classes 0 to 3, which is the higher; pairs it needs; the type that
    first offers it; classification current [A, low and high] of the first event, and the class shown at each event.
    """

    number: int
    device_w: float
    supply_w: float
    reserve_w: float
    pairs: int
    least_type: int
    signature_a: tuple[float, float]
    events: tuple[int, ...]


_CURRENT_A = {0: (0.0, 0.004), 1: (0.009, 0.012), 2: (0.017, 0.020), 3: (0.026, 0.030), 4: (0.036, 0.044)}

# Device power: Tables 33-18 and 145-26; supply: Tables 33-7 and 145-11; currents: Table 33-17; events: Table 145-27 (from
# memory). Class 0 is a device that doesn't say: reckon it as class 3. Clause 145 prints class 3 as 13 W and has no class 0.
CLASSES: dict[int, PoeClass] = {
    0: PoeClass(0, 12.95, 15.4, 15.4, 2, 1, _CURRENT_A[0], (0,)),
    1: PoeClass(1, 3.84, 4.0, 4.0, 2, 1, _CURRENT_A[1], (1,)),
    2: PoeClass(2, 6.49, 6.7, 7.0, 2, 1, _CURRENT_A[2], (2,)),
    3: PoeClass(3, 12.95, 14.0, 15.4, 2, 1, _CURRENT_A[3], (3,)),
    4: PoeClass(4, 25.5, 30.0, 30.0, 2, 2, _CURRENT_A[4], (4, 4)),
    5: PoeClass(5, 40.0, 45.0, 45.0, 4, 3, _CURRENT_A[4], (4, 4, 0, 0)),
    6: PoeClass(6, 51.0, 60.0, 60.0, 4, 3, _CURRENT_A[4], (4, 4, 1, 1)),
    7: PoeClass(7, 62.0, 75.0, 75.0, 4, 4, _CURRENT_A[4], (4, 4, 2, 2)),
    8: PoeClass(8, 71.3, 90.0, 90.0, 4, 4, _CURRENT_A[4], (4, 4, 3, 3)),
}

# A device with two signatures is classed on each pairset alone: (device_w, supply_w). Tables 145-26 and 145-12; class 5
# from memory. A reader that keeps one class a port counts up to half too little.
DUAL_CLASSES: dict[int, tuple[float, float]] = {
    1: (3.84, 4.0),
    2: (6.49, 6.7),
    3: (13.0, 14.0),
    4: (25.5, 30.0),
    5: (35.6, 45.0),
}


@dataclass(frozen=True, slots=True)
class Fed:
    """What happens on one fed cable: current of all pairs together [A], power in, lost and arriving [W], voltage [V]."""

    current_a: float
    supply_w: float
    loss_w: float
    device_w: float
    device_v: float


def feed(device_w: float, *, supply_v: float, loop_ohm: float) -> Fed:
    """
    Feed a device that takes a constant power through a cable.

    Args:      device_w it takes; supply_v at the port; loop_ohm of all powered pairs together (see cable.power_loop_ohm).
    Raises:    OutOfRange: a negative power or loop, no voltage, or more power than the cable can pass.
    Source:    IEEE 802.3 33.2.6 and 145.2.8: I = (V - sqrt(V^2 - 4 R P)) / (2 R).
    """
    if not (device_w >= 0.0 and loop_ohm >= 0.0 and supply_v > 0.0):
        raise OutOfRange(
            f"{device_w:g} W through {loop_ohm:g} ohm from {supply_v:g} V: power and loop 0 or more, voltage above"
        )
    root = supply_v * supply_v - 4.0 * loop_ohm * device_w
    if root < 0.0:
        most = supply_v * supply_v / (4.0 * loop_ohm)
        raise OutOfRange(f"{device_w:g} W can't pass {loop_ohm:g} ohm from {supply_v:g} V: {most:.1f} W is the most")
    # The same root, written so that a loop of nearly nothing doesn't subtract two equal numbers.
    current_a = 2.0 * device_w / (supply_v + math.sqrt(root))
    return Fed(
        current_a,
        supply_v * current_a,
        heat_w(current_a, loop_ohm),
        device_w,
        supply_v - voltage_drop_v(current_a, loop_ohm),
    )


def arriving_w(port_w: float, *, supply_v: float, loop_ohm: float) -> float:
    """
    Power left at the device when the port gives all that it can [W].

    Args:      port_w at the port; supply_v; loop_ohm of all powered pairs together.
    Raises:    OutOfRange: no voltage, or a negative power or loop.
    Source:    Joule's law: P - (P / V)^2 R, at most V^2 / 4 R.
    """
    if not (port_w >= 0.0 and loop_ohm >= 0.0 and supply_v > 0.0):
        raise OutOfRange(
            f"{port_w:g} W through {loop_ohm:g} ohm from {supply_v:g} V: power and loop 0 or more, voltage above"
        )
    current_a = port_w / supply_v
    if loop_ohm > 0.0:
        # A port can't push more than the current at which the cable takes half: beyond it less arrives, not more.
        current_a = min(current_a, supply_v / (2.0 * loop_ohm))
    return supply_v * current_a - heat_w(current_a, loop_ohm)


def class_of_draw(device_w: float) -> int:
    """
    Lowest class whose device power covers a stated draw.

    Raises:    OutOfRange: a negative draw, or more than class 8 allows.
    Source:    IEEE 802.3 Tables 33-18 and 145-26.
    """
    if not 0.0 <= device_w <= CLASSES[8].device_w:
        raise OutOfRange(f"a draw of {device_w:g} W: Power over Ethernet feeds 0 to {CLASSES[8].device_w:g} W")
    return next(number for number in range(1, 9) if CLASSES[number].device_w >= device_w)


def class_for_two(first: int, second: int) -> int:
    """
    Give the least single class whose port serves a device with two signatures: four pairs, and the power of both.

    Raises:    OutOfRange: a pairset has no such class.
    Source:    IEEE 802.3 Tables 145-11 and 145-12; four pairs begin with class 5.
    """
    asked_w = reserve_w(first, second)
    return next((number for number in range(5, 9) if CLASSES[number].supply_w >= asked_w), 8)


def device_w(power_class: int, second: int | None = None) -> float:
    """
    Most that a device of a class, or of a class on each pairset, may take [W].

    Raises:    OutOfRange: there is no such class.
    Source:    IEEE 802.3 Tables 33-18 and 145-26.
    """
    reserve_w(power_class, second)
    if second is not None:
        return DUAL_CLASSES[power_class][0] + DUAL_CLASSES[second][0]
    return CLASSES[power_class].device_w


def reserve_w(power_class: int, second: int | None = None, *, bt: bool = False) -> float:
    """
    Power that a switch sets aside for one port [W].

    Args:      power_class 0..8; second: the class of the other pairset when the device has two signatures (then both
               are 1..5 and of clause 145); bt: the switch's sheet states the clause 145 figures.
    Raises:    OutOfRange: there is no such class.
    Source:    IEEE 802.3 Tables 33-7, 145-11, 145-12; two signatures add (145.2.8).
    """
    if second is not None:
        if power_class not in DUAL_CLASSES or second not in DUAL_CLASSES:
            raise OutOfRange(f"classes {power_class} and {second} on two pairsets: write 1 to 5 for each")
        return DUAL_CLASSES[power_class][1] + DUAL_CLASSES[second][1]
    if power_class not in CLASSES:
        raise OutOfRange(f"power class {power_class}: write 0 to 8")
    known = CLASSES[power_class]
    return known.supply_w if bt else known.reserve_w
