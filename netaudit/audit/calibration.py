"""
Predicted airtime held against what a radio announces, over days: how far off it is, and whose fault that is. Pure.

The profiles' traffic is an assumption until a site has measured its own. Where one profile's traffic is assumed wrongly, the
difference rises and falls with the number of such devices that are there; what others send on the channel doesn't.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

# Two days and nights, so that what comes and goes has done both twice. common practice, no source
FEWEST_HOURS: Final = 48
# An explanation must take away this share of the squared difference, and this much more than the second best one.
EXPLAINS: Final = 0.5
AHEAD: Final = 0.1
# Below this the octet of BSS Load (1/255) and an hour's mean can't tell anything is off.
ROUNDING_SHARE: Final = 1 / 255
# What is always there in the same number can't be told from the neighbours: a change of a tenth is needed.
LEAST_CHANGE: Final = 0.1
OTHERS: Final = "others"


@dataclass(frozen=True, slots=True)
class Hour:
    """
    One hour of one radio [shares of the time].

    announced  mean of what the radio announced; fixed: predicted without any device (beacons); by_profile: predicted for the
    devices of each profile that were there
    """

    at: datetime
    announced: float
    fixed: float
    by_profile: Mapping[str, float]

    @property
    def predicted(self) -> float:
        """All that is predicted."""
        return self.fixed + sum(self.by_profile.values())


@dataclass(frozen=True, slots=True)
class Calibration:
    """
    How the prediction for one radio holds.

    bias      mean of announced - predicted [share]; rms: root of its mean square
    explains  the profile whose assumed traffic explains the difference, OTHERS for a load that is always there, None if
              nothing does
    factor    by which that profile's traffic is to be multiplied; None for others
    """

    place: str
    hours: int
    bias: float
    rms: float
    explains: str | None
    factor: float | None
    words: str


def calibrate(place: str, hours: Sequence[Hour]) -> Calibration | None:
    """Hold hours of prediction against hours of announcement; None while there are too few of them."""
    if len(hours) < FEWEST_HOURS:
        return None
    off = [hour.announced - hour.predicted for hour in hours]
    bias, rms = fmean(off), math.sqrt(fmean(one * one for one in off))
    if rms <= ROUNDING_SHARE:
        return Calibration(place, len(hours), bias, rms, None, None, "the prediction holds")
    removed = {OTHERS: _removed(off, [1.0] * len(off))}
    for profile in sorted({name for hour in hours for name in hour.by_profile}):
        shares = [hour.by_profile.get(profile, 0.0) for hour in hours]
        if max(shares) - min(shares) > LEAST_CHANGE * max(shares):
            removed[profile] = _removed(off, shares)
    best, second, *_ = [*sorted(removed, key=lambda name: -removed[name][0]), OTHERS]
    share, scale = removed[best]
    ahead = share - (removed[second][0] if second != best else 0.0)
    how_far = f"{abs(bias) * 100:.1f} % of the time {'more' if bias > 0 else 'less'} than predicted"
    if share < EXPLAINS or ahead < AHEAD * share:
        return Calibration(place, len(hours), bias, rms, None, None, f"{how_far}; no single cause explains it")
    if best == OTHERS:
        words = f"{how_far}, at all hours alike: neighbours, or devices that are always there"
        return Calibration(place, len(hours), bias, rms, OTHERS, None, words)
    factor = 1.0 + scale
    words = f"{how_far}; the profile {best} explains it: its traffic is {factor:.1f} times what the plan assumes"
    return Calibration(place, len(hours), bias, rms, best, factor, words)


def _removed(off: Sequence[float], shape: Sequence[float]) -> tuple[float, float]:
    """Fit a multiple of a shape, least squares; give the share of the squared difference that it takes away, and itself."""
    square = sum(one * one for one in shape)
    if square == 0.0:
        return 0.0, 0.0
    # Traffic can't be less than none.
    scale = max(sum(a * b for a, b in zip(off, shape, strict=True)) / square, -1.0)
    before = sum(one * one for one in off)
    after = sum((one - scale * shaped) ** 2 for one, shaped in zip(off, shape, strict=True))
    return 1.0 - after / before, scale
