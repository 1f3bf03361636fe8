"""Coverage: which access point each room hears best on each band, how fast, and what it would fall back to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.cells import phy_of
from netaudit.capacity.places import WORD_DBM, Levels
from netaudit.capacity.rates import Band, rate_bps
from netaudit.capacity.sensitivity import common_phy, fastest
from netaudit.site.topology import radio_of

if TYPE_CHECKING:
    from netaudit.site.model import Site

# A client as most are: two streams (common practice, no source); it speaks whatever the access point speaks.
CLIENT_STREAMS = 2


@dataclass(frozen=True, slots=True)
class Heard:
    """An access point as heard in a room: level [dBm], and the rate that it carries [bit/s], 0 when it carries none."""

    access_point: str
    level_dbm: float
    rate_bps: float


@dataclass(frozen=True, slots=True)
class Cover:
    """What a room hears on a band, best first; empty when no position is known and no access point hangs in it."""

    room: str
    band: Band
    best: Heard | None
    second: Heard | None


def coverage(site: Site) -> tuple[Cover, ...]:
    """
    Reckon the two best access points of every room on every band that the plan uses.

    An access point in the room itself counts as near where positions are unknown; others then can't be reckoned.
    """
    levels = Levels(site)
    bands = [band for band in Band if any(radio_of(point, band.value) for point in site.access_point.values())]
    covers = []
    for room in site.room:
        for band in bands:
            heard = sorted(_heard(site, levels, room, band), key=lambda one: (-one.level_dbm, one.access_point))
            covers.append(Cover(room, band, heard[0] if heard else None, heard[1] if len(heard) > 1 else None))
    return tuple(covers)


def _heard(site: Site, levels: Levels, room: str, band: Band) -> list[Heard]:
    found = []
    for name, point in site.access_point.items():
        radio = radio_of(point, band.value)
        if radio is None:
            continue
        level = levels.at_place(room, name, band, radio.eirp_dbm)
        if level is None:
            if point.at != room:
                continue
            level = float(WORD_DBM["near"])
        phy = phy_of(radio.phy)
        mode = fastest(level // 1, common_phy(phy, phy, band), min(CLIENT_STREAMS, radio.streams), int(radio.width_mhz))
        found.append(Heard(name, level, rate_bps(mode) if mode else 0.0))
    return found
