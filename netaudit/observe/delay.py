"""
What a series of round trips says: loss, percentiles, delay variation, jitter. Pure functions; all times in seconds.

A round trip mixes both directions, so its jitter is not the one-way jitter that media limits are about.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(frozen=True, slots=True)
class Delay:
    """
    Summary of the probes to one target; None where nothing was answered (or, for variation, only once).

    `loss_share` is lost / sent; `loss_at_most` its 95 % upper bound. Percentiles are nearest rank. `pdv_p99_s` is the
    99th percentile of RTT - least RTT (RFC 5481, 4.2); `jitter_s` is RFC 3550's running mean at the last answer.
    """

    sent: int
    lost: int
    loss_share: float
    loss_at_most: float
    least_s: float | None
    median_s: float | None
    p95_s: float | None
    p99_s: float | None
    most_s: float | None
    pdv_p99_s: float | None
    jitter_s: float | None


def summary(round_trips_s: Sequence[float | None]) -> Delay:
    """
    Sum up the probes to one target in the order in which they were sent; None is a lost one.

    Raises:    OutOfRange: there are none.
    """
    if not round_trips_s:
        raise OutOfRange("no probes were sent, so there is nothing to sum up")
    answered = [value for value in round_trips_s if value is not None]
    lost = len(round_trips_s) - len(answered)
    ordered = sorted(answered)
    variation = packet_delay_variation_s(answered)
    return Delay(
        sent=len(round_trips_s),
        lost=lost,
        loss_share=lost / len(round_trips_s),
        loss_at_most=loss_at_most(lost, len(round_trips_s)),
        least_s=ordered[0] if ordered else None,
        median_s=nearest_rank(ordered, 50) if ordered else None,
        p95_s=nearest_rank(ordered, 95) if ordered else None,
        p99_s=nearest_rank(ordered, 99) if ordered else None,
        most_s=ordered[-1] if ordered else None,
        pdv_p99_s=nearest_rank(variation, 99) if len(variation) > 1 else None,
        jitter_s=jitter_s(answered) if len(answered) > 1 else None,
    )


def nearest_rank(values: Sequence[float], percent: float) -> float:
    """
    Give the smallest value that at least `percent` of all values don't exceed.

    Args:      values in any order, at least one; percent over 0, at most 100.
    Raises:    OutOfRange: no values, or no such percentile.
    Source:    RFC 2330, 11.3: the smallest x for which the empirical distribution function reaches the percentage.
    """
    if not values or not 0 < percent <= 100:
        raise OutOfRange(f"no percentile {percent:g} of {len(values)} values: it takes one value, and over 0 to 100")
    # Multiplied before divided: 7 / 100 * 100 is 7.000000000000001, whose ceiling is 8.
    return sorted(values)[math.ceil(percent * len(values) / 100) - 1]


def jitter_s(transits_s: Iterable[float]) -> float:
    """
    Give the interarrival jitter after the last packet: J = J + (|D| - J) / 16, J = 0 at first.

    Args:      transits_s: transit times of the packets that arrived, in order of arrival; D is the difference between
               neighbours, whatever was lost in between.
    Source:    RFC 3550, 6.4.1 and A.8, in floating point.
    """
    jitter, before = 0.0, None
    for transit in transits_s:
        if before is not None:
            jitter += (abs(transit - before) - jitter) / 16
        before = transit
    return jitter


def packet_delay_variation_s(delays_s: Sequence[float]) -> list[float]:
    """
    Give each delay's excess over the least one of the series; never negative.

    Source:    RFC 5481, 4.2.
    """
    least = min(delays_s, default=0.0)
    return [delay - least for delay in delays_s]


def inter_packet_variation_s(round_trips_s: Sequence[float | None]) -> list[float]:
    """
    Give the signed difference between neighbours in sending order; undefined, so left out, where either was lost.

    Source:    RFC 3393, 2.4; RFC 5481, 4.1.
    """
    return [after - before for before, after in pairwise(round_trips_s) if before is not None and after is not None]


def loss_at_most(lost: int, sent: int, *, confidence: float = 0.95) -> float:
    """
    Give the loss share that these counts still allow: the exact one-sided upper bound of the binomial.

    Zero lost of 100 only shows that less than 3 % are lost.

    Raises:    OutOfRange: more lost than sent, none sent, or a confidence that is none.
    Source:    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413; solved by bisection.
    """
    if not 0 <= lost <= sent or sent == 0 or not 0 < confidence < 1:
        raise OutOfRange(
            f"{lost} lost of {sent} at confidence {confidence:g}: write 0 <= lost <= sent and 0 < confidence < 1"
        )
    if lost == sent:
        return 1.0
    low, high = lost / sent, 1.0
    # Each halving gives one more binary digit; a float has 53.
    for _ in range(60):
        middle = (low + high) / 2
        if at_most(lost, sent, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


def loss_at_least(lost: int, sent: int, *, confidence: float = 0.95) -> float:
    """
    Give the least loss share that these counts still allow: the exact one-sided lower bound of the binomial.

    Raises:    OutOfRange: as `loss_at_most`.
    Source:    as `loss_at_most`; what is lost of all mirrors what is answered of all.
    """
    return 1.0 - loss_at_most(sent - lost, sent, confidence=confidence)


def at_most(count: int, trials: int, chance: float) -> float:
    """Probability of at most `count` hits; each term by logarithms, as their factors don't fit a float."""
    if chance <= 0.0:
        return 1.0
    if chance >= 1.0:
        return 0.0 if count < trials else 1.0
    total = math.lgamma(trials + 1)
    hit, miss = math.log(chance), math.log1p(-chance)
    return math.fsum(
        math.exp(total - math.lgamma(k + 1) - math.lgamma(trials - k + 1) + k * hit + (trials - k) * miss)
        for k in range(count + 1)
    )
