"""
From two readings of a counter to what was counted in between, or to nothing when that can't be known. Pure functions.

A counter tells a difference only while the agent ran through, nobody reset it, and it can't have gone round more than
once. Whatever else happened gives None: no number at all is better than a rate that never was.
"""

from __future__ import annotations

import math
from typing import Final

# RFC 2578, 7.1.6 and 7.1.10: where counters start anew.
BITS_32: Final = 32
BITS_64: Final = 64
# RFC 2578, 7.1.8: time ticks are hundredths of a second, modulo 2^32, so they start anew every 497 days.
TICKS_PER_S: Final = 100
TICKS_ROUND: Final = 1 << 32
# Agents refresh what they say of themselves every few seconds, and their crystals differ from ours by far less than a
# hundredth; common practice, no source.
SLACK_S: Final = 5.0
SLACK_SHARE: Final = 0.01
# The fastest port that a standard has (IEEE 802.3df-2024): what is counted at where the port doesn't say its own speed.
FASTEST_BPS: Final = 800e9
# The shortest frame with preamble and gap takes 84 octets of the line (IEEE 802.3-2018, clauses 3 and 4): no port carries more
# frames than its speed over 672 bits.
SHORTEST_ON_LINE_BITS: Final = 672
# Octets are read a moment before or after the clock, so a full line may seem to be a little more than full.
READ_SLACK: Final = 1.1


def counted(before: int, now: int, *, bits: int, most: float) -> int | None:
    """
    Give what was counted between two readings; None when it can't be told.

    Args:      bits: where the counter starts anew, 32 or 64; most: the most that can have been counted in that time.
    """
    size = 1 << bits
    if not (0 <= before < size and 0 <= now < size) or not 0 <= most < math.inf:
        return None
    # It may have gone round several times and nobody would know.
    if most >= size:
        return None
    difference = (now - before) % size
    # More than the line carries: it was reset, or the agent made it up.
    return difference if difference <= most else None


def most_octets(elapsed_s: float, speed_bps: float) -> float:
    """Give the most octets that a port carries in a time [octets]; a port without a speed may be the fastest there is."""
    return elapsed_s * (speed_bps or FASTEST_BPS) / 8 * READ_SLACK


def most_frames(elapsed_s: float, speed_bps: float) -> float:
    """Give the most frames that a port carries in a time."""
    return elapsed_s * (speed_bps or FASTEST_BPS) / SHORTEST_ON_LINE_BITS * READ_SLACK


def ran_through(before_ticks: int, now_ticks: int, elapsed_s: float) -> bool:
    """
    Say whether an agent ran from one reading of sysUpTime to the next: its clock went on as ours did.

    A step back is a restart, except where the ticks went round. A clock that ran ahead of ours is no better: then one of the
    two is wrong, and no rate can be had from it.

    Args:      elapsed_s between the readings by our own steady clock [s].
    """
    if elapsed_s <= 0:
        return False
    slack = (SLACK_S + SLACK_SHARE * elapsed_s) * TICKS_PER_S
    expected = before_ticks + elapsed_s * TICKS_PER_S
    off = (now_ticks - expected + TICKS_ROUND / 2) % TICKS_ROUND - TICKS_ROUND / 2
    return abs(off) <= slack


def rounds(before_ticks: int, now_ticks: int, elapsed_s: float, *, so_far: int) -> int:
    """Give how often sysUpTime has gone round: once more when it stepped back and yet ran through; none after a restart."""
    if not ran_through(before_ticks, now_ticks, elapsed_s):
        return 0
    return so_far + (now_ticks < before_ticks)


def line_rate_bps(octets: int, frames: int, elapsed_s: float) -> float:
    """
    Give the mean rate on the line, preamble and gap of each frame counted in, as the ledger's links are [bit/s].

    Source:    IEEE 802.3-2018, clauses 3 and 4: 8 octets of preamble and 12 of gap that octet counters leave out.
    """
    return (octets + 20 * frames) * 8 / elapsed_s
