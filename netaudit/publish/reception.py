"""What reaches the middle of each room, as calculated from positions and walls: for each band the best access point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.cells import phy_of
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band, rate_bps
from netaudit.capacity.sensitivity import fastest

if TYPE_CHECKING:
    from netaudit.site.model import Site


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
