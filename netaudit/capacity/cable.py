"""
Copper cable: its resistance by gauge, length and temperature, how far it may run, and what each category carries.

The loop that a pairset puts in the way of power equals ONE conductor's resistance: two conductors in parallel out, two back.
A cable tester prints the loop of one pair, which is twice that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from netaudit.errors import OutOfRange

# Copper, 100 % IACS at 20 degC [ohm m]; temperature coefficient at 20 degC [1/K]: IEC 60028.
RESISTIVITY_OHM_M = 1.7241e-8
TEMPERATURE_COEFFICIENT_PER_K = 0.00393
REFERENCE_C = 20.0

# Gauges that network cable and cords are made of. From memory.
GAUGES_AWG = range(18, 33)

# ANSI/TIA-568.2-D 6.3, 6.4; ISO/IEC 11801-1 [m].
FIXED_LIMIT_M = 90.0
CHANNEL_LIMIT_M = 100.0
CORDS_LIMIT_M = 10.0

# ANSI/TIA-568.2-D 6.7 at 20 degC, any gauge [ohm for 100 m of one conductor].
CONDUCTOR_LIMIT_OHM_PER_100_M = 9.38

# ANSI/TIA-568.2-D, a cabling course text: usual rating of the jacket [degC].
JACKET_LIMIT_C = 60.0

CATEGORY_BASIS = "ANSI/TIA-568.2-D; IEEE 802.3 clauses 14, 25, 40, 55, 126"


@dataclass(frozen=True, slots=True)
class Category:
    """
    A category of balanced cable.

    bandwidth_hz; iso_class of the channel made of it (ISO/IEC 11801-1); gauge_awg of its usual conductor (common practice,
    no source); reach_m: line rate [bit/s] -> longest channel [m], nothing where the standard specifies none;
    bundled_reach_m: the shorter reach to plan with in a bundle, where it differs.
    """

    name: str
    bandwidth_hz: float
    iso_class: str
    gauge_awg: int
    reach_m: tuple[tuple[float, float], ...]
    bundled_reach_m: tuple[tuple[float, float], ...] = ()


# Bandwidths: ANSI/TIA-568.2-D (Cat3, Cat5, Cat7, Cat8 from memory: ISO/IEC 11801-1). Reaches: IEEE 802.3 clause 25 (100 Mb/s),
# 40 (1 Gb/s), 126 (2.5 and 5 Gb/s), 55 (10 Gb/s) with TIA TSB-155-A for Cat6 at 55 m and TIA TSB-5021 for bundles.
# 5 Gb/s on Cat5e and 10 Gb/s on Cat6 depend on crosstalk from neighbours: in bundles plan with the shorter figure.
# 10 Gb/s over Cat6 is sure to 37 m in any condition. Cat8 adds 25 and 40 Gb/s to 30 m (clause 113, from memory).
_TO_1G: tuple[tuple[float, float], ...] = ((10e6, 100.0), (100e6, 100.0), (1e9, 100.0))
_TO_10G = (*_TO_1G, (2.5e9, 100.0), (5e9, 100.0), (10e9, 100.0))
CATEGORIES: dict[str, Category] = {
    "cat3": Category("Cat3", 16e6, "C", 24, ((10e6, 100.0),)),
    "cat5": Category("Cat5", 100e6, "D", 24, _TO_1G),
    "cat5e": Category("Cat5e", 100e6, "D", 24, (*_TO_1G, (2.5e9, 100.0), (5e9, 100.0)), ((5e9, 0.0),)),
    "cat6": Category("Cat6", 250e6, "E", 23, (*_TO_1G, (2.5e9, 100.0), (5e9, 100.0), (10e9, 55.0)), ((10e9, 37.0),)),
    "cat6a": Category("Cat6A", 500e6, "EA", 23, _TO_10G),
    "cat7": Category("Cat7", 600e6, "F", 23, _TO_10G),
    "cat8": Category("Cat8", 2000e6, "I/II", 22, (*_TO_10G, (25e9, 30.0), (40e9, 30.0))),
}


def diameter_m(gauge_awg: int) -> float:
    """
    Diameter of a solid conductor [m].

    Raises:    OutOfRange: a gauge that network cable is not made of.
    Source:    ASTM B258: d = 0.127 mm * 92^((36 - n) / 39).
    """
    if gauge_awg not in GAUGES_AWG:
        raise OutOfRange(f"AWG {gauge_awg}: write {GAUGES_AWG.start} to {GAUGES_AWG.stop - 1}")
    return float(0.127e-3 * 92.0 ** ((36 - gauge_awg) / 39.0))


@cache
def area_m2(gauge_awg: int) -> float:
    """
    Cross-section of a solid conductor [m2].

    Raises:    OutOfRange: as `diameter_m`.
    Source:    ASTM B258: (pi / 4) d^2.
    """
    return math.pi / 4.0 * diameter_m(gauge_awg) ** 2


def conductor_ohm(gauge_awg: int, length_m: float, *, temperature_c: float = REFERENCE_C) -> float:
    """
    DC resistance of one solid copper conductor [ohm].

    Args:      length_m of the cable, not of the loop; temperature_c of the copper. Stranded cord is higher.
    Raises:    OutOfRange: an unknown gauge, a negative length, a temperature outside -40 to 90 degC.
    Source:    ASTM B258 and IEC 60028: rho * length / area * (1 + 0.00393 (T - 20)).
    """
    if not length_m >= 0.0:
        raise OutOfRange(f"a length of {length_m:g} m: write 0 or more")
    if not -40.0 <= temperature_c <= 90.0:
        raise OutOfRange(f"copper at {temperature_c:g} degC: write -40 to 90")
    cold = RESISTIVITY_OHM_M * length_m / area_m2(gauge_awg)
    return cold * (1.0 + TEMPERATURE_COEFFICIENT_PER_K * (temperature_c - REFERENCE_C))


def power_loop_ohm(gauge_awg: int, length_m: float, *, pairs: int, temperature_c: float = REFERENCE_C) -> float:
    """
    Loop that power sees: one pairset (2 pairs) or two in parallel (4 pairs) [ohm].

    Args:      pairs 2 or 4; the rest as `conductor_ohm`. Connectors are not counted.
    Raises:    OutOfRange: as `conductor_ohm`, or another number of pairs.
    Source:    arithmetic: (R/2) + (R/2) for a pairset, half of it for two.
    """
    if pairs not in (2, 4):
        raise OutOfRange(f"power over {pairs} pairs: write 2 or 4")
    return conductor_ohm(gauge_awg, length_m, temperature_c=temperature_c) * 2.0 / pairs


def gauge_of(category: str, stated_awg: int | None) -> int:
    """Give a cable's gauge: the stated one, else the usual one of its category (common practice, no source)."""
    return stated_awg if stated_awg is not None else CATEGORIES[category].gauge_awg


def reach_m(category: str, rate_bps: float, *, bundled: bool = False) -> float | None:
    """
    Longest channel of a category at a line rate [m]; None where the standard specifies none.

    Args:      category as in `CATEGORIES`; rate_bps of the line; bundled with other busy cables.
    Raises:    OutOfRange: a category that isn't in the table.
    Source:    IEEE 802.3 clauses 14, 25, 40, 55, 126; TIA TSB-155-A, TSB-5021.
    """
    known = CATEGORIES.get(category)
    if known is None:
        raise OutOfRange(f"cable category {category!r}: write one of {', '.join(CATEGORIES)}")
    fitting = [metres for rate, metres in known.reach_m if rate >= rate_bps]
    if not fitting:
        return None
    longest = fitting[0]
    if bundled:
        shorter = [metres for rate, metres in known.bundled_reach_m if rate == rate_bps]
        longest = shorter[0] if shorter else longest
    return longest


def least_category(rate_bps: float, length_m: float) -> str | None:
    """
    Name the lowest category that carries a rate over a channel of this length; None if no copper does.

    Source:    as `reach_m`.
    """
    for name in CATEGORIES:
        longest = reach_m(name, rate_bps)
        if longest is not None and length_m <= longest:
            return name
    return None


def is_thick_enough(gauge_awg: int) -> bool:
    """
    Say whether a gauge may be used for fixed cable; thinner ones are for cords.

    Raises:    OutOfRange: a gauge that network cable is not made of.
    Source:    ANSI/TIA-568.2-D 6.7: 9.38 ohm for 100 m of one conductor at 20 degC.
    """
    return conductor_ohm(gauge_awg, 100.0) <= CONDUCTOR_LIMIT_OHM_PER_100_M


def voltage_drop_v(current_a: float, loop_ohm: float) -> float:
    """
    Voltage lost on the way out and back [V].

    Source:    Ohm's law.
    """
    return current_a * loop_ohm


def heat_w(current_a: float, loop_ohm: float) -> float:
    """
    Heat left in the cable [W].

    Source:    Joule's law.
    """
    return current_a * current_a * loop_ohm
