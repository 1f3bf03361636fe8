"""
One integer for (moment, series): the primary key of samples and of roll-ups.

Time stands in the high bits, so rows are appended in the order in which they arrive and a span of time is one range of
keys. As SQLite's row number it costs neither a column nor an index of its own: 15 bytes a sample instead of 17 with the
two as columns of a primary key (benchmarks/store.py), which decides how long a memory card lives.
"""

from __future__ import annotations

from typing import Final

# Series of one site. 65,536 is 250 devices with 260 numbers each, or a /20 of 4,093 devices with 16 each.
SERIES_BITS: Final = 16
MAX_SERIES: Final = (1 << SERIES_BITS) - 1
_MASK: Final = MAX_SERIES

SECOND_S: Final = 1
HOUR_S: Final = 3600
DAY_S: Final = 86_400


def key_of(index: int, series: int) -> int:
    """Join the number of a period (seconds, hours or days since 1970 UTC) and a series, 1..MAX_SERIES."""
    return index << SERIES_BITS | series


def first_key(index: int) -> int:
    """Give the lowest key of a period; keys from that of a up to, not including, that of b are the span [a, b)."""
    return index << SERIES_BITS


def index_of(key: int) -> int:
    """Take the number of the period out of a key."""
    return key >> SERIES_BITS


def series_of(key: int) -> int:
    """Take the series out of a key."""
    return key & _MASK
