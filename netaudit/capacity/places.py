"""Where things stand, and the level at which a place hears an access point."""

from __future__ import annotations

import math
from functools import lru_cache
from math import inf
from typing import TYPE_CHECKING, NamedTuple

from netaudit.capacity.propagation import BAND_MHZ, OUTER_WALL_DB, indoor_loss_db, wall_loss_db
from netaudit.site.topology import building_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.capacity.rates import Band
    from netaudit.site.model import AccessPoint, Site

Ends = tuple[tuple[float, float], tuple[float, float]]

# Level by distance in words, where nothing better is known (common practice, no source) [dBm].
WORD_DBM = {"near": -50, "mid": -65, "far": -75}


class Point(NamedTuple):  # a tuple, because pairs of these are looked up very often
    """A position: metres on the site's drawing, storey, building. One drawing serves the whole site."""

    x_m: float
    y_m: float
    floor: int
    building: str | None


def place_point(site: Site, place: str | None) -> Point | None:
    """Give the middle of a room, or a closet's position; None when the plan doesn't say."""
    if place in site.room:
        room = site.room[place]
        if room.x_m is None or room.y_m is None:
            return None
        x_m, y_m = room.x_m + (room.width_m or 0.0) / 2, room.y_m + (room.depth_m or 0.0) / 2
        return Point(x_m, y_m, room.floor, building_of(site, place))
    if place in site.closet:
        closet = site.closet[place]
        if closet.x_m is None or closet.y_m is None:
            return None
        return Point(closet.x_m, closet.y_m, closet.floor, building_of(site, place))
    return None


def access_point_point(site: Site, point: AccessPoint) -> Point | None:
    """Give the position of an access point: its own, else that of its room or closet."""
    around = place_point(site, point.at)
    if point.x_m is None or point.y_m is None:
        return around
    floor = around.floor if around else 0
    if point.at in site.room:
        floor = site.room[point.at].floor
    elif point.at in site.closet:
        floor = site.closet[point.at].floor
    return Point(point.x_m, point.y_m, floor, building_of(site, point.at))


class Paths:
    """Losses between points of one site: walls sorted once, each pair computed once by whoever keeps the result."""

    def __init__(self, site: Site) -> None:
        self._floor_height_m = site.site.floor_height_m
        only = next(iter(site.building)) if len(site.building) == 1 else None
        self._between: dict[tuple[Point, Point], tuple[str, ...]] = {}
        self._walls: dict[tuple[str | None, int], list[tuple[Ends, str]]] = {}
        for wall in site.wall:
            ends = (wall.x1_m, wall.y1_m), (wall.x2_m, wall.y2_m)
            self._walls.setdefault((wall.building or only, wall.floor), []).append((ends, wall.material))

    def loss_db(self, one: Point, other: Point, band: Band, *, most_db: float = inf) -> float:
        """
        Loss between two points [dB]: distance and floors by P.1238, then each wall that the straight line crosses.

        Walls count on paths that stay on one storey; between buildings each outer wall counts once.

        Args:      most_db a loss beyond which the caller doesn't care: walls are not looked at when distance is enough.
        """
        floors = abs(one.floor - other.floor)
        distance_m = math.hypot(one.x_m - other.x_m, one.y_m - other.y_m, floors * self._floor_height_m)
        loss = _distance_db(band, round(distance_m, 2), floors)
        if one.building != other.building:
            return loss + 2 * OUTER_WALL_DB
        if floors == 0 and loss <= most_db:
            loss += sum(wall_loss_db(material, band) for material in self._crossed(one, other))
        return loss

    def _crossed(self, one: Point, other: Point) -> tuple[str, ...]:
        """Materials of the walls between two points of a storey; kept, because each band asks."""
        found = self._between.get((one, other))
        if found is None:
            path = (one.x_m, one.y_m), (other.x_m, other.y_m)
            walls = self._walls.get((one.building, one.floor), ())
            found = tuple(material for ends, material in walls if _apart(ends, path) and _apart(path, ends))
            self._between[one, other] = found
        return found


@lru_cache(maxsize=65_536)  # centimetres up to some hundred metres; the bound only caps memory
def _distance_db(band: Band, distance_m: float, floors: int) -> float:
    return indoor_loss_db(BAND_MHZ[band], distance_m, floors)


def _apart(line: Ends, points: Ends) -> bool:
    """Say whether two points lie on different sides of a line."""
    (ax, ay), (bx, by) = line
    (px, py), (qx, qy) = points
    first = (bx - ax) * (py - ay) - (by - ay) * (px - ax)
    return first * ((bx - ax) * (qy - ay) - (by - ay) * (qx - ax)) < 0


class Levels:
    """Levels at which places and access points hear each other; a place and access point are computed once."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._paths = Paths(site)
        self._points: Mapping[str, Point | None] = {
            name: access_point_point(site, point) for name, point in site.access_point.items()
        }
        self._places: dict[str | None, Point | None] = {}
        self._known: dict[tuple[str | None, str, Band], float | None] = {}

    def place(self, name: str | None) -> Point | None:
        """Give a place's position, looked up once."""
        if name not in self._places:
            self._places[name] = place_point(self._site, name)
        return self._places[name]

    def at_place(self, place: str | None, access_point: str, band: Band, eirp_dbm: float) -> float | None:
        """Level of an access point in a room or closet [dBm]; None when either position is unknown."""
        key = (place, access_point, band)
        if key not in self._known:
            here, there = self.place(place), self._points[access_point]
            self._known[key] = None if here is None or there is None else -self._paths.loss_db(here, there, band)
        loss = self._known[key]
        return None if loss is None else eirp_dbm + loss

    def at_point(self, here: Point, access_point: str, band: Band, eirp_dbm: float) -> float | None:
        """Level of an access point anywhere [dBm]; None when its position is unknown."""
        there = self._points[access_point]
        return None if there is None else eirp_dbm - self._paths.loss_db(here, there, band)

    def hears(self, one: str, other: str, band: Band, *, eirp_dbm: float, least_dbm: float) -> bool:
        """Say whether one access point hears another at a level or above; unknown positions count as hearing."""
        here, there = self._points[one], self._points[other]
        if here is None or there is None:
            return True
        most_db = eirp_dbm - least_dbm
        return self._paths.loss_db(here, there, band, most_db=most_db) <= most_db
