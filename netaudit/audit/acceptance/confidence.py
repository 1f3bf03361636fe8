"""
When a measured figure proves a promise: a claim holds, or is broken, only when 95 % confidence says so.

Between the two a claim stays open, and the answer is how many more measurements would settle it if they go on as they did.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from netaudit.errors import OutOfRange
from netaudit.observe.delay import at_most, loss_at_least, loss_at_most, nearest_rank

if TYPE_CHECKING:
    from collections.abc import Sequence

CONFIDENCE: Final = 0.95
# At an echo a second this is more than a day; who stands that near a limit stands at it.
MOST_MORE: Final = 100_000
# Batches of a mean, and the 95 % quantile of Student's t for one fewer degrees of freedom.
# Source: ISO 2602:1980 and any table of t; nu = 19: 1.729. Checked against scipy.
BATCHES: Final = 20
STUDENT_T: Final = 1.729
# Fewer values than this in a batch leave its mean too far from normal. common practice, no source
LEAST_BATCH: Final = 5


class Stand(StrEnum):
    """What a measurement says of a promise: it is kept, it is broken, or neither is shown yet."""

    KEPT = "kept"
    BROKEN = "broken"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Claim:
    """
    A promise beside its measurement.

    value      the point estimate; low, high: its one-sided 95 % bounds, None where so few values give none
    count      values it rests on
    more       of an open claim: how many further values would settle it; None when it stands at its limit, so that no
               reasonable number does
    """

    stand: Stand
    value: float
    low: float | None
    high: float | None
    count: int
    more: int | None = None


def share_claim(hits: int, trials: int, limit: float) -> Claim:
    """
    Is the true share of hits at most `limit`?

    Raises:    OutOfRange: no trials, more hits than trials, or a limit that is no share.
    Source:    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413: exact bounds of the binomial.
    """
    if not 0 <= hits <= trials or trials == 0 or not 0 <= limit <= 1:
        raise OutOfRange(f"{hits} of {trials} against a limit of {limit:g}: write 0 <= hits <= trials, limit 0 to 1")
    stand = _stand(hits, trials, limit)
    return Claim(
        stand=stand,
        value=hits / trials,
        low=loss_at_least(hits, trials),
        high=loss_at_most(hits, trials),
        count=trials,
        more=_more(hits, trials, limit) if stand is Stand.OPEN else None,
    )


def percentile_claim(values: Sequence[float], percent: float, limit: float) -> Claim:
    """
    Is the `percent`th percentile of what the values are drawn from at most `limit`?

    `value` is the nearest rank; the bounds are order statistics, and assume nothing of the distribution's shape.

    Raises:    OutOfRange: no values, or no percentile over 0 and under 100.
    Source:    S. S. Wilks, Annals of Mathematical Statistics 12 (1941), 91-96. The rank for an upper bound is the least k
               with P(B <= k - 1) >= confidence, B binomial(n, percent); 59 values are the fewest for 95 % of 95 %.
    """
    if not values or not 0 < percent < 100:
        raise OutOfRange(f"percentile {percent:g} of {len(values)} values: it takes one value, and over 0 to under 100")
    share = percent / 100
    count = len(values)
    ordered = sorted(values)
    beyond = sum(value > limit for value in ordered)
    # The same statement in other words: at most 1 - percent of all values exceed the limit.
    stand = _stand(beyond, count, 1 - share)
    lower, upper = _ranks(count, 1 - share)
    return Claim(
        stand=stand,
        value=nearest_rank(ordered, percent),
        low=None if lower is None else ordered[lower - 1],
        high=None if upper is None else ordered[upper - 1],
        count=count,
        more=_more(beyond, count, 1 - share) if stand is Stand.OPEN else None,
    )


def mean_claim(values: Sequence[float], limit: float) -> Claim | None:
    """
    Is the mean of what the values are drawn from at most `limit`? None for fewer values than BATCHES x LEAST_BATCH.

    Neighbours in a series are alike, so the spread is taken from the means of 20 batches of neighbours; the bounds are
    approximate.

    Source:    method of batch means: A. M. Law, Simulation Modeling and Analysis, 5th ed., section 9.5.3 (from memory).
    """
    size = len(values) // BATCHES
    if size < LEAST_BATCH:
        return None
    means = [math.fsum(values[index * size : (index + 1) * size]) / size for index in range(BATCHES)]
    mean = math.fsum(means) / BATCHES
    spread = math.sqrt(math.fsum((one - mean) ** 2 for one in means) / (BATCHES - 1))
    half = STUDENT_T * spread / math.sqrt(BATCHES)
    low, high = mean - half, mean + half
    stand = Stand.KEPT if high <= limit else Stand.BROKEN if low > limit else Stand.OPEN
    more = None
    if stand is Stand.OPEN and mean != limit:
        # The half width shrinks with the root of the number of values.
        wanted = math.ceil(len(values) * (half / abs(mean - limit)) ** 2)
        more = wanted - len(values) if wanted - len(values) <= MOST_MORE else None
    return Claim(stand, mean, low, high, size * BATCHES, more)


def fewest_without(limit: float) -> int | None:
    """
    Give the fewest trials of which not one may be a hit to show a share of at most `limit`; None when none show it.

    Zero hits in n trials show at most 3 / n (the rule of three; J. A. Hanley and A. Lippman-Hand, JAMA 249 (1983), 1743).
    """
    if limit <= 0:
        return None
    return 1 if limit >= 1 else math.ceil(math.log(1 - CONFIDENCE) / math.log1p(-limit))


def _stand(hits: int, trials: int, limit: float) -> Stand:
    if at_most(hits, trials, limit) <= 1 - CONFIDENCE or limit >= 1:
        return Stand.KEPT
    if hits and 1 - at_most(hits - 1, trials, limit) < 1 - CONFIDENCE:
        return Stand.BROKEN
    return Stand.OPEN


def _more(hits: int, trials: int, limit: float) -> int | None:
    """Find by doubling, then halving, how many more trials settle the claim if the share of hits stays."""
    if hits == 0:
        fewest = fewest_without(limit)
        return None if fewest is None or fewest - trials > MOST_MORE else fewest - trials

    def settled(total: int) -> bool:
        return _stand(round(hits / trials * total), total, limit) is not Stand.OPEN

    low, high = trials, 2 * trials
    while not settled(high):
        low, high = high, 2 * high
        if low > trials + MOST_MORE:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if settled(middle) else (middle, high)
    return high - trials


def _ranks(count: int, beyond: float) -> tuple[int | None, int | None]:
    """
    Give the ranks (from 1) of the order statistics that bound a percentile from below and from above.

    Args:      beyond: the share of all values that lies beyond the percentile.
    """
    upper, total = None, 0.0
    for over in range(count):
        # One term of the binomial law, by logarithms, as its factors don't fit a float.
        ways = math.lgamma(count + 1) - math.lgamma(over + 1) - math.lgamma(count - over + 1)
        total += math.exp(ways + over * math.log(beyond) + (count - over) * math.log1p(-beyond))
        if total <= 1 - CONFIDENCE:
            upper = count - over
        if total >= CONFIDENCE:
            return count - over, upper
    return None, upper
