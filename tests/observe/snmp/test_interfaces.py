"""What an interface says of its speed."""

from __future__ import annotations

import pytest

from netaudit.observe.snmp.interfaces import speed_bps

# RFC 2863, 3.1.7 and the descriptions of ifSpeed and ifHighSpeed: ifSpeed, ifHighSpeed -> bit/s
SPEEDS = [
    ("gigabit", 1_000_000_000, 1000, 1e9),
    ("ten gigabit: ifSpeed is at its end", 2**32 - 1, 10_000, 10e9),
    ("2.5 gigabit", 2_500_000_000, 2500, 2.5e9),
    ("slow serial line, rounded to 0", 64_000, 0, 64e3),
    ("without ifXTable", 100_000_000, None, 100e6),
    ("without ifXTable, at its end", 2**32 - 1, None, 0.0),
    ("nothing", None, None, 0.0),
    ("no link", 0, 0, 0.0),
    ("more than there is", 0, 4_000_000_000, 0.0),
]


@pytest.mark.parametrize(("speed", "high", "expected_bps"), [row[1:] for row in SPEEDS], ids=[row[0] for row in SPEEDS])
def test_the_speed_is_the_one_of_the_two_that_can_tell(
    speed: int | None, high: int | None, expected_bps: float
) -> None:
    """Each pair of values that agents give."""
    assert speed_bps(speed, high) == expected_bps
