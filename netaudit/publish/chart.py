"""
Charts on ruled paper, as inline SVG: lines over the hours of a week, gaps where nothing was measured.

Written by hand because a chart of a week must be small, must be the same bytes each time, and must show its values on
hover without a script: each hour is a strip with a title.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from netaudit.publish.svg import Sheet, fit, text_width
from netaudit.publish.text import clock, day, harmless, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from netaudit.site.model import Header

_WIDTH: Final = 900.0
_HEIGHT: Final = 220.0
_LEFT: Final = 74.0
_TOP: Final = 26.0
_BOTTOM: Final = 30.0
_SIZE: Final = 12.0
# Dash, not only colour, tells the curves apart.
_DASHES: Final = ("", "6 3", "2 3", "9 2 2 2", "1 3", "12 4")
_KINDS: Final = ("within", "tight", "over", "ink", "faint", "margin")
_HOUR_S: Final = 3600.0
_LOST_HEIGHT: Final = 28.0
# More labels than fit beside each other on a week's axis; longer spans write every n-th day.
_MOST_DAYS: Final = 8


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve: a value an hour, None where there is none."""

    name: str
    values: Sequence[float | None]


def nice_top(largest: float) -> float:
    """Give the round number (1, 2, 2.5 or 5 times a power of ten) at or above a value, for the axis to end at."""
    if largest <= 0 or not math.isfinite(largest):
        return 1.0
    power = 10.0 ** math.floor(math.log10(largest))
    return next(step * power for step in (1.0, 2.0, 2.5, 5.0, 10.0) if step * power >= largest * (1 - 1e-12))


def chart(
    title: str,
    hours: Sequence[datetime],
    curves: Sequence[Curve],
    *,
    unit: str,
    header: Header,
    lost: Sequence[float | None] = (),
) -> Markup:
    """
    Draw curves over hours, and under them, where given, the share of echoes lost in each hour as a bar.

    Args:      hours aware and ascending, at least one, the beginning of each; each curve, and `lost`, one value for each.
    """
    plot = _Plot(hours, curves, unit, header, lost)
    return Markup(plot.svg(title))  # noqa: S704 - the sheet escapes every text


class _Plot:
    def __init__(
        self,
        hours: Sequence[datetime],
        curves: Sequence[Curve],
        unit: str,
        header: Header,
        lost: Sequence[float | None],
    ) -> None:
        self.hours, self.curves, self.unit, self.header, self.lost = hours, curves, unit, header, lost
        self.sheet = Sheet()
        self.axis = _HEIGHT - _BOTTOM - (34 if lost else 0)
        self.right = _WIDTH - 8
        self.span_s = (hours[-1] - hours[0]).total_seconds() + _HOUR_S
        self.top = nice_top(max((value for curve in curves for value in curve.values if value is not None), default=0))
        self.strip = (self.right - _LEFT) * _HOUR_S / self.span_s

    def x(self, at: datetime) -> float:
        return _LEFT + (at - self.hours[0]).total_seconds() / self.span_s * (self.right - _LEFT)

    def y(self, value: float) -> float:
        return self.axis - min(value / self.top, 1.0) * (self.axis - _TOP)

    def svg(self, title: str) -> str:
        for share in (0.0, 0.5, 1.0):
            y = self.y(self.top * share)
            self.sheet.path(f"M{_LEFT} {y:.1f}H{self.right}", "rule" if share else "wire")
            said = quantity(self.top * share, self.unit, self.header.locale)
            self.sheet.text(_LEFT - 8, y + 4, said, size=_SIZE, kind="faint", anchor="end")
        self._days()
        for index, curve in enumerate(self.curves):
            self._curve(index, curve)
        if self.lost:
            self._bars()
        for index, at in enumerate(self.hours):
            self.sheet.open(title=self._said(index, at))
            self.sheet.rect(self.x(at), _TOP, self.strip, _HEIGHT - _BOTTOM - _TOP, "strip")
            self.sheet.close()
        self._names()
        return self.sheet.inline(_WIDTH, _HEIGHT, title, "chart")

    def _days(self) -> None:
        starts: list[tuple[datetime, str]] = []
        for at in self.hours:
            named = day(at, self.header)
            if not starts or starts[-1][1] != named:
                starts.append((at, named))
        free_from = 0.0
        for at, named in starts[:: math.ceil(len(starts) / _MOST_DAYS)]:
            x = self.x(at)
            self.sheet.path(f"M{x:.1f} {_TOP}V{_HEIGHT - _BOTTOM + 6}", "margin", stroke_px=0.7)
            short = named.rpartition(" ")[0]  # the year stands above the report
            if x >= free_from and x + text_width(short, _SIZE) < _WIDTH:
                self.sheet.text(x + 3, _HEIGHT - _BOTTOM + 18, short, size=_SIZE, kind="faint")
                free_from = x + text_width(short, _SIZE) + 12

    def _curve(self, index: int, curve: Curve) -> None:
        data: list[str] = []
        pen_down = False
        before = self.hours[0]
        for at, value in zip(self.hours, curve.values, strict=True):
            # An hour that is absent is a gap as one that is None: nothing is drawn where nothing was measured.
            pen_down = pen_down and (at - before).total_seconds() <= _HOUR_S
            before = at
            if value is None:
                pen_down = False
                continue
            x, y = self.x(at) + self.strip / 2, self.y(value)
            # An hour alone between gaps would be a point without extent: it gets a short stroke.
            data.append(f"L{x:.1f} {y:.1f}" if pen_down else f"M{x - 1:.1f} {y:.1f}L{x:.1f} {y:.1f}")
            pen_down = True
        if data:
            self.sheet.path("".join(data), _KINDS[index % len(_KINDS)], stroke_px=1.6, dashes=_dashes(index))

    def _bars(self) -> None:
        base = _HEIGHT - _BOTTOM
        self.sheet.path(f"M{_LEFT} {base}H{self.right}", "rule")
        self.sheet.text(_LEFT - 8, base - 2, "lost", size=_SIZE, kind="faint", anchor="end")
        for at, share in zip(self.hours, self.lost, strict=True):
            if share:
                height = max(2.0, share * _LOST_HEIGHT)  # the smallest loss must still be seen
                self.sheet.rect(self.x(at), base - height, max(self.strip - 0.5, 1.0), height, "lost")

    def _said(self, index: int, at: datetime) -> str:
        said = [f"{day(at, self.header)}, {clock(at, self.header)}"]
        for curve in self.curves:
            value = curve.values[index]
            shown = "not measured" if value is None else quantity(value, self.unit, self.header.locale)
            said.append(f"{curve.name} {shown}")
        if self.lost:
            share = self.lost[index]
            said.append("lost " + ("not measured" if share is None else quantity(share, "share", self.header.locale)))
        return "; ".join(said)

    def _names(self) -> None:
        x = _LEFT
        for index, curve in enumerate(self.curves):
            name = fit(harmless(curve.name), 220, _SIZE)
            self.sheet.path(f"M{x:.1f} 12h26", _KINDS[index % len(_KINDS)], stroke_px=1.6, dashes=_dashes(index))
            self.sheet.text(x + 32, 16, name, size=_SIZE)
            x += 32 + text_width(name, _SIZE) + 18


def _dashes(index: int) -> str:
    return _DASHES[index % len(_DASHES)]
