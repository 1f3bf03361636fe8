"""
When a line reaches its ceiling, from the peaks of past days. Pure.

The slope is Theil's and Sen's: the median of the slopes between all pairs of days, which a few odd days don't move. A week
has its own shape, so the usual difference of each weekday is taken out first and its busiest day put back for the answer.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from statistics import NormalDist, fmean, median
from typing import TYPE_CHECKING, Final

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Sequence

# Each weekday must have come four times before its habit can be told from chance. common practice, no source
FEWEST_DAYS: Final = 28
# Of a year every other day is enough for a slope, and a small box compares 33,000 pairs and not 66,000.
MOST_DAYS: Final = 260
# Nobody's growth is steady for longer than this many times the span that was watched. common practice, no source
REACH: Final = 4
CONFIDENCE: Final = 0.95
# Standard deviation of a normal law from its median absolute deviation, and of a median from that of its values.
_FROM_MAD: Final = 1.4826
_OF_MEDIAN: Final = math.sqrt(math.pi / 2)
# Of a day: a line that arrives on a whole day arrives on that day.
_ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its confidence interval."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """
    What the peaks say of the ceiling.

    words      for people: "reaches its ceiling in 5 to 9 weeks", "no trend in 60 days" ...
    earliest   first day of the interval, None when it is not reached within reach
    latest     last day of the interval, None when it may never be
    per_week   the slope's middle [unit a week], None with too few days
    """

    words: str
    days: int
    earliest: date | None = None
    latest: date | None = None
    per_week: float | None = None


def theil_sen(times: Sequence[float], values: Sequence[float], *, stretch: float = 1.0) -> Slope:
    """
    Median slope of all pairs, with its 95 % interval.

    Args:      times, all different; values as many; stretch widens the interval's standard error.
    Raises:    OutOfRange: fewer than two points.
    Source:    Theil 1950, Sen 1968; the interval from the variance of Kendall's S with ties, normal approximation.
    """
    count = len(times)
    if count < 2 or count != len(values):
        raise OutOfRange(f"{count} times and {len(values)} values make no slope")
    slopes = sorted((values[j] - values[i]) / (times[j] - times[i]) for i in range(count) for j in range(i + 1, count))
    ties = sum(same * (same - 1) * (2 * same + 5) for same in Counter(values).values())
    sigma = math.sqrt(max(count * (count - 1) * (2 * count + 5) - ties, 0) / 18) * stretch
    half = NormalDist().inv_cdf((1 + CONFIDENCE) / 2) * sigma
    high = min(round((len(slopes) + half) / 2), len(slopes) - 1)
    low = max(round((len(slopes) - half) / 2) - 1, 0)
    return Slope(median(slopes), slopes[low], slopes[high])


def forecast(peaks: Sequence[tuple[date, float]], ceiling: float) -> Forecast:
    """
    Say when the peaks of days reach a ceiling.

    Args:      peaks: one a day, oldest first, days may be missing; ceiling in the same unit.
    """
    used = list(peaks)[-MOST_DAYS:]
    days = len(used)
    if days < FEWEST_DAYS:
        return Forecast(f"too early to say: {days} of {FEWEST_DAYS} days", days)
    start = used[0][0]
    times = [float((day - start).days) for day, _ in used]
    values = [value for _, value in used]
    habit = _habits([day for day, _ in used], times, values)
    plain = [value - habit[day.weekday()] for day, value in used]
    rough = theil_sen(times, plain).middle
    stretch = _stretch(times, plain, rough)
    slope = theil_sen(times, plain, stretch=stretch)
    centre = median(times)
    at_centre = [value - slope.middle * (time - centre) for time, value in zip(times, plain, strict=True)]
    level = median(at_centre) + max(habit.values())
    spread = _FROM_MAD * median(abs(value - median(at_centre)) for value in at_centre)
    # The busiest weekday's own level rests on a seventh of the days.
    doubt = _OF_MEDIAN * spread * stretch * math.sqrt(1 / days + 7 / days)
    return _say(
        slope,
        ahead=times[-1] - centre,
        gap=ceiling - level,
        doubt=doubt,
        today=used[-1][0],
        watched_days=times[-1],
        days=days,
    )


def _habits(days: Sequence[date], times: Sequence[float], values: Sequence[float]) -> dict[int, float]:
    """Give each weekday's usual difference from the trend; a weekday that never came has none."""
    trend = theil_sen(times, values).middle
    rest = [value - trend * time for time, value in zip(times, values, strict=True)]
    by_weekday: defaultdict[int, list[float]] = defaultdict(list)
    for day, value in zip(days, rest, strict=True):
        by_weekday[day.weekday()].append(value)
    middle = fmean(median(listed) for listed in by_weekday.values())
    return {weekday: median(listed) - middle for weekday, listed in by_weekday.items()}


def _stretch(times: Sequence[float], values: Sequence[float], slope: float) -> float:
    """
    Say how much wider an interval must be because a day resembles the day before.

    Source:    effective sample size of a first-order autoregression: (1 + r) / (1 - r).
    """
    rest = [value - slope * time for time, value in zip(times, values, strict=True)]
    middle = fmean(rest)
    square = sum((value - middle) ** 2 for value in rest)
    if square == 0.0:
        return 1.0
    r = sum((before - middle) * (after - middle) for before, after in pairwise(rest)) / square
    # The estimate from n values is low by about (1 + 4 r) / n (Kendall 1954; from memory).
    r = min(max(r + (1 + 4 * r) / len(rest), 0.0), 0.9)
    return math.sqrt((1 + r) / (1 - r))


def _say(
    slope: Slope, *, ahead: float, gap: float, doubt: float, today: date, watched_days: float, days: int
) -> Forecast:
    """Turn slope and gap into days: the gap in the middle of what was watched, `ahead` days before today."""
    per_week = slope.middle * 7
    if gap - slope.middle * ahead <= 0:
        return Forecast("is at its ceiling now", days, today, today, per_week)
    if slope.low <= 0:
        falls = slope.high < 0
        return Forecast(
            f"falls: no ceiling in sight after {days} days" if falls else f"no trend in {days} days",
            days,
            per_week=per_week,
        )
    earliest = today + timedelta(days=max(math.floor((gap - doubt) / slope.high - ahead + _ROUNDING), 0))
    if (earliest - today).days > REACH * watched_days:
        return Forecast(
            f"grows, but not to its ceiling within {_lasting(REACH * watched_days)}", days, per_week=per_week
        )
    latest = today + timedelta(days=math.ceil((gap + doubt) / slope.low - ahead - _ROUNDING))
    words = f"reaches its ceiling in {_between((earliest - today).days, (latest - today).days)}"
    return Forecast(words, days, earliest, latest, per_week)


def _lasting(days: float) -> str:
    return f"{days / 7:.0f} weeks"


def _between(first_days: int, last_days: int) -> str:
    """Write an interval in whole weeks, outwards; in months or years where weeks would be a false precision."""
    for size, name, limit in ((7.0, "weeks", 26 * 7), (30.44, "months", 3 * 365), (365.25, "years", 10**9)):
        if last_days <= limit:
            low, high = int(first_days / size), math.ceil(last_days / size)
            return f"{low} to {high} {name}" if high > 1 else f"less than a {name[:-1]}"
    raise OutOfRange(f"{last_days} days")
