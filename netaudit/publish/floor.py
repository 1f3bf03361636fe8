"""A floor seen from above, to scale: rooms, walls, closets, access points, and how far these reach, where the plan places them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity.places import WORD_DBM, Point
from netaudit.publish.captions import line_text, worst
from netaudit.publish.look import STATE_WORDS
from netaudit.publish.svg import Sheet, text_width, wrap
from netaudit.publish.text import harmless, identity, place_name, quantity
from netaudit.site.topology import building_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from netaudit.capacity.ledger import Ledger
    from netaudit.capacity.line import Line
    from netaudit.publish.reception import Coverage, Reception
    from netaudit.site.model import AccessPoint, Closet, Room, Site, Wall

_WIDEST: Final = 1000.0
_TALLEST: Final = 1200.0
_MARGIN: Final = 40.0
_HEAD: Final = 70.0
_FOOT: Final = 86.0
_SMALL: Final = 11.0
# Strokes of walls: the heavier the material, the thicker. The eye's order, not a measure; the legend names them.
_WALL_STROKES: Final = {
    "plasterboard": 2.0,
    "wood": 2.5,
    "glass": 1.5,
    "coated glass": 2.5,
    "brick": 5.0,
    "concrete": 7.0,
    "metal": 4.0,
}
# Points of a floor at which reception is calculated: a raster that the eye takes for an area, and quick with many walls.
_MOST_SPOTS: Final = 1200
_SPOT_STEP: Final = 18.0
_SPOT_STROKES: Final = {"weak": 2.4, "none": 1.2}
_WEAK_DBM: Final = WORD_DBM["mid"]
_NONE_DBM: Final = WORD_DBM["far"]
_WALL_DASHES: Final = {"glass": "6 3", "coated glass": "6 3 1 3", "metal": "2 2"}


@dataclass(frozen=True, slots=True)
class Floor:
    """One storey of one building; `building` is None where the plan names none."""

    building: str | None
    number: int


def floors(site: Site) -> tuple[Floor, ...]:
    """List the storeys of which the plan gives at least one room's whole outline, in the plan's order."""
    found = {Floor(building_of(site, name), room.floor): None for name, room in site.room.items() if _drawn(room)}
    return tuple(found)


def _drawn(room: Room) -> bool:
    return None not in (room.x_m, room.y_m, room.width_m, room.depth_m)


def draw_floor(
    site: Site,
    ledger: Ledger,
    floor: Floor,
    reception: Mapping[str, tuple[Reception, ...]] | None = None,
    coverage: Coverage | None = None,
) -> str:
    """Draw one storey as an SVG document; `reception`, by room, and `coverage` add what reaches where. Pure."""
    return _FloorDrawing(site, ledger, floor, reception or {}, coverage).svg()


@dataclass(frozen=True, slots=True)
class _Box:
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: _Box) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


class _FloorDrawing:
    def __init__(
        self,
        site: Site,
        ledger: Ledger,
        floor: Floor,
        reception: Mapping[str, tuple[Reception, ...]],
        coverage: Coverage | None,
    ) -> None:
        self.site = site
        self.floor = floor
        self.reception = reception
        self.coverage = coverage
        self.marked: set[str] = set()
        self.weakest_dbm = math.inf
        self.sheet = Sheet()
        self.taken: list[_Box] = []
        self.elsewhere: list[str] = []
        self.lines: dict[str, list[Line]] = {}
        for line in ledger.lines:
            self.lines.setdefault(line.place, []).append(line)
        self.rooms = {name: room for name, room in site.room.items() if self._here(name, room) and _drawn(room)}
        xs = [x for room in self.rooms.values() for x in (room.x_m or 0.0, (room.x_m or 0.0) + (room.width_m or 0.0))]
        ys = [y for room in self.rooms.values() for y in (room.y_m or 0.0, (room.y_m or 0.0) + (room.depth_m or 0.0))]
        self.left_m, self.top_m = min(xs), max(ys)
        width_m, height_m = max(xs) - min(xs), max(ys) - min(ys)
        self.scale = min(_WIDEST / width_m, _TALLEST / height_m)
        self.width = width_m * self.scale + 2 * _MARGIN
        self.height = height_m * self.scale + _HEAD + _FOOT

    def _here(self, name: str, place: Room | Closet) -> bool:
        return building_of(self.site, name) == self.floor.building and place.floor == self.floor.number

    def _x(self, x_m: float) -> float:
        return _MARGIN + (x_m - self.left_m) * self.scale

    def _y(self, y_m: float) -> float:
        return _HEAD + (self.top_m - y_m) * self.scale

    def svg(self) -> str:
        named = "ground floor" if self.floor.number == 0 else f"floor {self.floor.number}"
        if self.floor.building is not None:
            named = f"{place_name(f'building:{self.floor.building}', self.site)}, {named}"
        title = f"{harmless(self.site.site.name)}: {named}"
        self.width = max(self.width, 640.0)
        for index, text in enumerate(wrap(title, self.width - 2 * _MARGIN, 18, most=2, bold=True)):
            self.sheet.text(_MARGIN, 32 + index * 22, text, size=18, bold=True)
        for name, room in self.rooms.items():
            self._room(name, room)
        self._walls()
        points = list(self._points())
        closets = [
            (name, closet)
            for name, closet in self.site.closet.items()
            if self._here(name, closet) and closet.x_m is not None and closet.y_m is not None
        ]
        # All symbols claim their ground before any label is placed.
        for _, _, x, y in points:
            self.taken.append(_Box(x - 11, y - 11, x + 11, y + 11))
        for _, closet in closets:
            x, y = self._x(closet.x_m or 0.0), self._y(closet.y_m or 0.0)
            self.taken.append(_Box(x - 9, y - 9, x + 9, y + 9))
        for name in self.rooms:
            self._room_label(name)
        for name, closet in closets:
            self._closet(name, closet)
        for name, point, x, y in points:
            self._point(name, point, x, y)
        self._spots()
        self._foot()
        return self.sheet.svg(self.width, self.height, title, "Rooms, walls, closets and access points of one floor")

    def _room(self, name: str, room: Room) -> None:
        ref = f"room:{name}"
        self.sheet.open(identity(ref), title=self._room_words(name))
        self.sheet.rect(
            self._x(room.x_m or 0.0),
            self._y((room.y_m or 0.0) + (room.depth_m or 0.0)),
            (room.width_m or 0.0) * self.scale,
            (room.depth_m or 0.0) * self.scale,
            "room",
        )
        self.sheet.close()

    def _room_words(self, name: str) -> str:
        reached = [", ".join(_reception_words(self.site, one)) for one in self.reception.get(name, ())]
        return "; ".join([place_name(f"room:{name}", self.site), *reached])

    def _room_label(self, name: str) -> None:
        room = self.rooms[name]
        x = self._x(room.x_m or 0.0) + 8
        y = self._y((room.y_m or 0.0) + (room.depth_m or 0.0)) + 18
        width = (room.width_m or 0.0) * self.scale - 16
        bottom = self._y(room.y_m or 0.0)
        label = harmless(room.label or name)
        if width < 20:
            self.elsewhere.append(label)
            return
        said = [(wrap(label, width, 13, most=3, bold=True), True, label)]
        for one in self.reception.get(name, ())[:3]:
            figures, point = _reception_words(self.site, one)
            lines = wrap(f"{figures}, {point}", width, _SMALL, most=3)
            # A name may be cut, a figure never.
            said.append((lines if _bare(figures) in _bare(*lines) else [], False, f"{label}: {figures}, {point}"))
        for lines, bold, whole in said:
            boxes = self._stack(lines, x, y, bottom, bold=bold)
            if not boxes:
                self.elsewhere.append(whole)
                continue
            for text, box in zip(lines, boxes, strict=True):
                size = 13 if bold else _SMALL
                self.sheet.text(x, box.bottom - 4, text, size=size, bold=bold, kind="" if bold else "faint")
            self.taken += boxes
            y = boxes[-1].bottom - 4 + (17 if bold else 15)

    def _stack(self, lines: Sequence[str], x: float, y: float, bottom: float, *, bold: bool) -> list[_Box]:
        """Find room for lines one below the other, from a first baseline on; none at all where not every one has it."""
        size, boxes = 13 if bold else _SMALL, []
        for text in lines:
            box = _Box(x, y - size, x + text_width(text, size, bold=bold), y + 4)
            for _ in range(12):  # symbols stand in the way at most a few lines deep
                if not any(box.meets(other) for other in self.taken):
                    break
                y += 10
                box = _Box(box.left, box.top + 10, box.right, box.bottom + 10)
            if box.bottom > bottom or any(box.meets(other) for other in self.taken):
                return []
            boxes.append(box)
            y += 17 if bold else 15
        return boxes

    def _walls_here(self) -> Iterator[Wall]:
        only = next(iter(self.site.building)) if len(self.site.building) == 1 else None
        for wall in self.site.wall:
            if (wall.building or only) == self.floor.building and wall.floor == self.floor.number:
                yield wall

    def _walls(self) -> None:
        for wall in self._walls_here():
            self.sheet.open(title=f"{wall.material} wall")
            self.sheet.path(
                f"M{self._x(wall.x1_m):.1f} {self._y(wall.y1_m):.1f}L{self._x(wall.x2_m):.1f} {self._y(wall.y2_m):.1f}",
                "wall",
                stroke_px=_WALL_STROKES[wall.material],
                dashes=_WALL_DASHES.get(wall.material, ""),
            )
            self.sheet.close()

    def _spots(self) -> None:
        """Mark where reception is weak, and where there is next to none; a clear floor is well served."""
        if self.coverage is None or not self.coverage.band:
            return
        areas = [(room.width_m or 0.0) * (room.depth_m or 0.0) * self.scale**2 for room in self.rooms.values()]
        step = max(_SPOT_STEP, (sum(areas) / _MOST_SPOTS) ** 0.5)
        marks: dict[str, list[str]] = {"weak": [], "none": []}
        for name, room in self.rooms.items():
            middle = [one.level_dbm for one in self.reception.get(name, ()) if one.band == self.coverage.band]
            self.weakest_dbm = min([self.weakest_dbm, *middle])
            for x, y in self._raster(room, step):
                x_m, y_m = (x - _MARGIN) / self.scale + self.left_m, self.top_m - (y - _HEAD) / self.scale
                level_dbm = self.coverage.level_dbm(Point(x_m, y_m, self.floor.number, self.floor.building))
                self.weakest_dbm = min(self.weakest_dbm, level_dbm)
                here = _Box(x - 3, y - 3, x + 3, y + 3)
                # Not over a label or symbol.
                if level_dbm >= _WEAK_DBM or any(here.meets(other) for other in self.taken):
                    continue
                kind, mark = ("none", _cross) if level_dbm < _NONE_DBM else ("weak", _dot)
                marks[kind].append(mark(x, y))
        for kind, drawn in marks.items():
            if drawn:
                self.marked.add(kind)
                self.sheet.path("".join(drawn), f"thin {kind}", stroke_px=_SPOT_STROKES[kind])

    def _raster(self, room: Room, step: float) -> Iterator[tuple[float, float]]:
        """Give points of a room in a raster of the whole sheet."""
        left, bottom = self._x(room.x_m or 0.0), self._y(room.y_m or 0.0)
        right, top = left + (room.width_m or 0.0) * self.scale, bottom - (room.depth_m or 0.0) * self.scale
        for row in range(math.ceil(top / step), math.ceil(bottom / step)):
            for column in range(math.ceil(left / step), math.ceil(right / step)):
                yield column * step, row * step

    def _points(self) -> Iterator[tuple[str, AccessPoint, float, float]]:
        in_room: dict[str, int] = {}
        for name, point in self.site.access_point.items():
            if point.at is None:
                continue
            room = self.rooms.get(point.at)
            closet = self.site.closet.get(point.at)
            if room is not None:
                spread = in_room.get(point.at, 0)
                in_room[point.at] = spread + 1
                x_m = point.x_m if point.x_m is not None else (room.x_m or 0.0) + (room.width_m or 0.0) / 2
                y_m = point.y_m if point.y_m is not None else (room.y_m or 0.0) + (room.depth_m or 0.0) / 2
                beside = 0.0 if point.x_m is not None else spread * 30.0
                yield name, point, self._x(x_m) + beside, self._y(y_m)
            elif closet is not None and self._here(point.at, closet):
                own = (
                    point.x_m if point.x_m is not None else closet.x_m,
                    point.y_m if point.y_m is not None else closet.y_m,
                )
                if own[0] is not None and own[1] is not None:
                    yield name, point, self._x(own[0]) + 26, self._y(own[1])

    def _point(self, name: str, point: AccessPoint, x: float, y: float) -> None:
        lines = [line for radio in point.radio for line in self.lines.get(f"radio:{name}/{radio.band}", ())]
        said = [line_text(line, self.site.site.locale) for line in lines]
        self.sheet.open(
            identity(f"access_point:{name}"), title="; ".join([place_name(f"access_point:{name}", self.site), *said])
        )
        self.sheet.circle(x, y, 10, "socket")
        self.sheet.circle(x, y, 5.5, "thin", dashes="3 2")
        self.sheet.circle(x, y, 2, "box")
        label = harmless(point.label or name)
        state = worst(lines)
        channels = [f"{r.band} GHz, channel {r.channel}" for r in point.radio if r.channel is not None]
        texts = [label, *channels] + ([STATE_WORDS[state]] if state else [])
        place = self._label(x, y, 14, texts)
        if place is not None and state is not None:
            left, baseline = place
            self.sheet.mark(left, baseline + (len(texts) - 1) * 14 - 11, state)
        self.sheet.close()

    def _closet(self, name: str, closet: Closet) -> None:
        x, y = self._x(closet.x_m or 0.0), self._y(closet.y_m or 0.0)
        self.sheet.open(identity(f"closet:{name}"), title=place_name(f"closet:{name}", self.site))
        self.sheet.rect(x - 8, y - 8, 16, 16, "plate")
        self.sheet.path(f"M{x - 5} {y - 3}H{x + 5}M{x - 5} {y + 1}H{x + 5}M{x - 5} {y + 5}H{x + 5}", "wire")
        self._label(x, y, 12, [harmless(closet.label) or f"closet {harmless(name)}"])
        self.sheet.close()

    def _label(self, x: float, y: float, gap: float, texts: list[str]) -> tuple[float, float] | None:
        """Write a label where it is free: right, left, below, above; else its words go to the foot."""
        marked = len(texts) > 1
        width = max(text_width(text, _SMALL) for text in texts) + (19 if marked else 0)
        height = len(texts) * 14
        tries = ((x + gap, y - height / 2), (x - gap - width, y - height / 2), (x - width / 2, y + gap))
        for left, top in (*tries, (x - width / 2, y - gap - height)):
            box = _Box(left, top, left + width, top + height)
            inside = left > 4 and left + width < self.width - 4 and top > _HEAD - 20 and top + height < self.height - 50
            if inside and not any(box.meets(other) for other in self.taken):
                self.taken.append(box)
                for index, text in enumerate(texts):
                    last = marked and index == len(texts) - 1 and text in STATE_WORDS.values()
                    self.sheet.text(left + (19 if last else 0), top + 11 + index * 14, text, size=_SMALL)
                return left, top + 11
        self.elsewhere.append(", ".join(texts))
        return None

    def _foot(self) -> None:
        y = self.height - _FOOT + 34
        bar_m = next((m for m in (50.0, 20.0, 10.0, 5.0, 2.0, 1.0) if m * self.scale <= 220), 1.0)
        bar = bar_m * self.scale
        self.sheet.path(f"M{_MARGIN} {y - 5}v5h{bar:.1f}v-5", "wire")
        self.sheet.text(_MARGIN + bar + 8, y, quantity(bar_m, "m", self.site.site.locale), size=_SMALL)
        x = _MARGIN + bar + 70
        used = dict.fromkeys(wall.material for wall in self._walls_here())
        for material in used:
            self.sheet.path(
                f"M{x:.1f} {y - 4}h26", "wall", stroke_px=_WALL_STROKES[material], dashes=_WALL_DASHES.get(material, "")
            )
            self.sheet.text(x + 32, y, material, size=_SMALL, kind="faint")
            x += 32 + text_width(material, _SMALL) + 18
        y += 20
        y = self._coverage_words(y)
        for text in wrap(
            "Without room for a label: " + "; ".join(self.elsewhere), self.width - 2 * _MARGIN, _SMALL, most=60
        ):
            if self.elsewhere:
                self.sheet.text(_MARGIN, y, text, size=_SMALL, kind="faint")
                y += 15
        self.height = max(self.height, y + 10)

    def _coverage_words(self, y: float) -> float:
        """Say what the figures and marks of reception mean; give the next baseline."""
        if not any(self.reception.get(name) for name in self.rooms):
            return y
        said = (
            "Under a room's name: the level in its middle, and the fastest rate there for a device with one antenna. "
            "Calculated from positions and walls, not measured."
        )
        for text in wrap(said, self.width - 2 * _MARGIN, _SMALL, most=3):
            self.sheet.text(_MARGIN, y, text, size=_SMALL, kind="faint")
            y += 15
        if self.coverage is None or not self.coverage.band:
            return y
        band = f"{self.coverage.band} GHz"
        keys = (("weak", _dot, _WEAK_DBM, "slower"), ("none", _cross, _NONE_DBM, "hardly any"))
        x = _MARGIN
        for kind, mark, level_dbm, meaning in keys:
            if kind in self.marked:
                self.sheet.path(mark(x + 4, y - 4), f"thin {kind}", stroke_px=_SPOT_STROKES[kind])
                words = f"{f'{band} ' if x == _MARGIN else ''}weaker than {_level(level_dbm)}: {meaning}"
                self.sheet.text(x + 14, y, words, size=_SMALL, kind="faint")
                x += text_width(words, _SMALL) + 40
        if _WEAK_DBM <= self.weakest_dbm < math.inf:
            self.sheet.text(
                _MARGIN,
                y,
                f"{band} is {_level(_WEAK_DBM)} or stronger everywhere on this floor.",
                size=_SMALL,
                kind="faint",
            )
        return y + 15


def _dot(x: float, y: float) -> str:
    return f"M{x - 1.2:.1f} {y:.1f}h2.4"


def _cross(x: float, y: float) -> str:
    return f"M{x - 3:.1f} {y - 3:.1f}l6 6m-6 0l6 -6"


def _level(level_dbm: float) -> str:
    return f"{level_dbm:.0f}".replace("-", "\u2212") + "\u00a0dBm"


def _bare(*texts: str) -> str:
    return "".join(texts).replace(" ", "")


def _reception_words(site: Site, one: Reception) -> tuple[str, str]:
    """Say what is received, and from where."""
    rate = f", {quantity(one.rate_bps, 'bit/s', site.site.locale)}" if one.rate_bps is not None else ", no link"
    point = harmless(site.access_point[one.access_point].label or one.access_point)
    return f"{one.band} GHz {_level(one.level_dbm)}{rate}", f"from {point}"
