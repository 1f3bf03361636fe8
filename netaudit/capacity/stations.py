"""Stations of a radio: what the equipment admits, what the airtime carries for this mix, and how many more fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

# Halvings of the search for the load that fills a share: 2^-24 of the whole channel is far below any figure we print.
_STEPS = 24


def load_that_fills(share: float, busy: Callable[[float], float]) -> float:
    """
    Find the load whose busy share, collisions included, is the given one.

    Args:      busy turns a load into a busy share; it never falls when the load rises, and is never below it.
    """
    low, high = 0.0, max(0.0, share)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if busy(middle) <= share:
            low = middle
        else:
            high = middle
    return low


def stations_that_fit(load: float, fixed: float, one: float) -> float:
    """
    Count the stations that fill a load.

    Args:      load what may be used [share]; fixed what is used without any station; one what a station of the mix adds.
    """
    return max(0.0, (load - fixed) / one)


@dataclass(frozen=True, slots=True)
class Fit:
    """
    Both limits of a radio's stations.

    admitted     stations that the equipment admits; of these we plan to use the share `ceiling`
    air_full     stations of this mix at which the airtime is used up
    air_planned  stations of this mix at which the airtime reaches its own ceiling
    """

    admitted: float
    ceiling: float
    air_full: float
    air_planned: float

    @property
    def bound_by_air(self) -> bool:
        """Whether the airtime ends before the association limit does."""
        return self.air_planned < self.admitted * self.ceiling

    @property
    def supply(self) -> float:
        """Stations at the end of what binds."""
        return self.air_full if self.bound_by_air else self.admitted

    @property
    def share(self) -> float:
        """The share of the supply that we plan to use; for the airtime it is what its own ceiling leaves."""
        if not self.bound_by_air:
            return self.ceiling
        return self.air_planned / self.air_full if self.air_full > 0 else 1.0

    def more(self, stations: float) -> int:
        """How many more stations of this mix fit."""
        return max(0, int(min(self.admitted * self.ceiling, self.air_planned) - stations + 1e-9))
