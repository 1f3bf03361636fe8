"""What is received in each room and at each point, as calculated from positions and walls, of the best access point."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Final

from netaudit.capacity.cells import phy_of
from netaudit.capacity.places import Levels, access_point_point
from netaudit.capacity.rates import Band, rate_bps
from netaudit.capacity.sensitivity import fastest

if TYPE_CHECKING:
    from netaudit.capacity.places import Point
    from netaudit.site.model import Site

# The band whose reach is drawn where the plan has it: what is fast goes there, and it reaches less far than 2.4 GHz.
_DRAWN: Final = "5"


@dataclass(frozen=True, slots=True)
class Reception:
    """
    How a room is served on a band.

    level_dbm   of the best access point in the middle of the room; rate_bps: the fastest rate towards it for a device with
                one stream, by the standard's least sensitivity; None when even the slowest needs more
    """

    access_point: str
    band: str
    level_dbm: float
    rate_bps: float | None


def receptions(site: Site) -> dict[str, tuple[Reception, ...]]:
    """Say for every room that the plan places what reaches it, band by band; empty where nothing can be calculated."""
    levels = Levels(site)
    found: dict[str, tuple[Reception, ...]] = {}
    for room in site.room:
        best: dict[str, Reception] = {}
        for name, point in site.access_point.items():
            for radio in point.radio:
                level = levels.at_place(room, name, Band(radio.band), radio.eirp_dbm)
                if level is None or (radio.band in best and best[radio.band].level_dbm >= level):
                    continue
                mode = fastest(round(level), phy_of(radio.phy), 1, round(radio.width_mhz))
                rate = None if mode is None else rate_bps(mode)
                best[radio.band] = Reception(name, radio.band, level, rate)
        found[room] = tuple(best.values())
    return found


class Coverage:
    """
    The best level of one band at any point of the site, of the access points whose positions are known.

    band   the one whose reach is drawn; empty where none of these has a radio
    """

    def __init__(self, site: Site) -> None:
        self._levels = Levels(site)
        radios = [
            (name, radio)
            for name, point in site.access_point.items()
            if access_point_point(site, point) is not None
            for radio in point.radio
        ]
        bands = [radio.band for _, radio in radios]
        self.band = _DRAWN if _DRAWN in bands else next(iter(bands), "")
        self._radios = [(name, radio.eirp_dbm) for name, radio in radios if radio.band == self.band]

    def level_dbm(self, here: Point) -> float:
        """Give the level of the best access point; minus infinity where there is none."""
        found = (self._levels.at_point(here, name, Band(self.band), eirp_dbm) for name, eirp_dbm in self._radios)
        return max((level for level in found if level is not None), default=-inf)
