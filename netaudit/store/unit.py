"""
In what steps a kind of number is kept.

A value is stored as a count of quanta: whole numbers take 1 to 3 bytes in SQLite where a fraction takes 8. The quantum is
finer than what the collectors can measure, and it is written into the series when that begins, so a later change here
never changes the meaning of what is stored.
"""

from __future__ import annotations

from typing import Final

# suffix of the kind -> quantum in the kind's own unit. Reasons: round trips are measured to some 10 us; rates, bytes and
# packets are whole; switches report power in tenths of a watt or coarser; shares come as 1/255 or percent; levels in
# whole or half dB; counts get hundredths so that their mean keeps its fraction, and so do numbers that only name something (a
# channel, a class, a stratum).
QUANTA: Final[tuple[tuple[str, float], ...]] = (
    ("_bps", 1.0),
    ("_pps", 0.01),
    ("_bytes", 1.0),
    ("_share", 1e-5),
    ("_dbm", 0.1),
    ("_db", 0.1),
    ("_w", 1e-3),
    ("_us", 1e-3),
    ("_s", 1e-6),
)
COUNT_QUANTUM: Final = 0.01
COUNTS: Final = frozenset(
    {
        "stations",
        "devices",
        "errors",
        "discards",
        "packets",
        "addresses",
        "neighbour_networks",
        "isolation_breaches",
        "channel",
        "power_class",
        "ntp_stratum",
    }
)
AS_IT_IS: Final = 0.0


def quantum_of(kind: str) -> float:
    """
    Give the step in which numbers of this kind are kept, or 0 for a kind we know nothing about: kept as it is.

    Args:      kind: the kind of a sample; its suffix is its unit.
    """
    for suffix, quantum in QUANTA:
        if kind.endswith(suffix):
            return quantum
    return COUNT_QUANTUM if kind in COUNTS else AS_IT_IS


def stored(value: float | None, quantum: float) -> float | None:
    """Turn a finite measured value into what is stored; None (asked, not answered) stays None."""
    if value is None or not quantum:
        return value
    return float(round(value / quantum))


def measured(kept: float | None, quantum: float) -> float | None:
    """Turn what is stored back into the value; the division by a whole number keeps 0.0004 from reading 0.00039999."""
    if kept is None or not quantum:
        return kept
    return kept / round(1 / quantum) if quantum < 1 else kept * quantum
