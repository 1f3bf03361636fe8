"""Visitors: people who come and go bring wireless devices; on average so many are there, spread over what announces them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.site.model import Device
from netaudit.site.topology import Stations, radio_of

if TYPE_CHECKING:
    from netaudit.site.model import Band, Site

DAY_S = 86_400.0
# What a visitor carries; the plan may redefine this kind.
KIND = "phone"


def present(arrivals_per_day: float, stay_s: float) -> float:
    """Devices that are there on average: arrivals x stay (Little 1961)."""
    return arrivals_per_day * stay_s / DAY_S


def visitors(site: Site) -> dict[tuple[str, Band], tuple[Stations, ...]]:
    """
    Spread each segment's visitors evenly over the access points that announce it, on the highest band of both ends.

    Returns:   (access point, band) -> groups; fractions of a device, as the mean is one.
    """
    found: dict[tuple[str, Band], tuple[Stations, ...]] = {}
    profile = site.profile.get(KIND)
    if profile is None:
        return found
    for name, segment in site.segment.items():
        if segment.guests is None or segment.ssid is None:
            continue
        reached: list[tuple[str, Band]] = []
        for point_name, point in site.access_point.items():
            if point.ssids is None or name in point.ssids:
                bands: tuple[Band, ...] = ("6", "5", "2.4")
                fit = (band for band in bands if band in profile.bands and radio_of(point, band))
                reached += [(point_name, band) for band in fit][:1]
        device = Device(kind=KIND, segment=name)
        count = present(segment.guests.arrivals_per_day, segment.guests.stay_s)
        for where in reached:
            group = Stations(f"visitors of {name}", device, profile, count / len(reached))
            found[where] = (*found.get(where, ()), group)
    return found
