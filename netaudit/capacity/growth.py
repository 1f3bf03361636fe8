"""Growth: when a line is outgrown at a steady yearly growth."""

from __future__ import annotations

import math

from netaudit.errors import OutOfRange


def years_left(demand: float, usable: float, growth_per_year: float) -> float:
    """
    Years until a demand passes what is usable; 0 when it has already, infinite when it never will.

    Args:      demand and usable in one unit; growth_per_year share, 0 or more.
    Raises:    OutOfRange: a negative demand or growth.
    Source:    arithmetic: demand * (1 + growth)^t = usable.
    """
    if demand < 0.0 or growth_per_year < 0.0:
        raise OutOfRange(f"demand {demand:g}, growth {growth_per_year:g} a year: neither can be negative")
    if demand > usable:
        return 0.0
    if demand == 0.0 or growth_per_year == 0.0 or math.isinf(usable):
        return math.inf
    return math.log(usable / demand) / math.log1p(growth_per_year)
