"""
Charts over the hours of a week, as inline SVG: lines with gaps where nothing was measured, bars for what was lost.

Drawn by the pygal library. What it adds for its own script (styles, scripts, invisible data) is taken out again, and each
value's description becomes a title: so a page may forbid scripts and inline styles, the values can be read on hover, and
the same data gives the same bytes. The colours come from the page's style sheet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET

from markupsafe import Markup

from netaudit.publish.graphs import Bar, Line, Style
from netaudit.publish.text import clock, day, harmless, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from netaudit.site.model import Header

_HOUR: Final = timedelta(hours=1)
_WIDTH: Final = 900
_LINES_HEIGHT: Final = 240
_BARS_HEIGHT: Final = 110
# More day names than fit beside each other on a week's axis; longer spans write every n-th day.
_MOST_DAYS: Final = 8
# A day's name takes about this share of the axis.
_NAME_SHARE: Final = 0.1
# The library lays its texts out by these; the style sheet draws them in the same sizes [px].
_STYLE: Final = Style(label_font_size=13, major_label_font_size=13, legend_font_size=14)
# Half of the legend's sign: a stroke long enough to show two periods of the longest dash.
_SIGN_PX: Final = 28
# A tenth of a pixel is as fine as anybody sees; the library writes up to fifteen digits.
_MEASURES: Final = frozenset(("d", "x", "y", "cx", "cy", "width", "height"))
_LONG: Final = re.compile(r"(\.\d)\d+")


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve: a value an hour, None where there is none."""

    name: str
    values: Sequence[float | None]


def line_chart(title: str, hours: Sequence[datetime], curves: Sequence[Curve], *, unit: str, header: Header) -> Markup:
    """
    Draw curves over hours.

    Args:      hours aware and ascending, at least one, the beginning of each; each curve has one value for each.
    """
    drawn = Line(
        **_settings(unit, header),
        height=_LINES_HEIGHT,
        max_scale=6,
        show_legend=len(curves) > 1,
        allow_interruptions=True,
        dots_size=1.6,
    )
    return _finish(drawn, title, hours, curves, header)


def bar_chart(title: str, hours: Sequence[datetime], curve: Curve, *, unit: str, header: Header) -> Markup:
    """Draw a bar an hour; where the value is nothing or None there is none. Args as `line_chart`."""
    shown = Curve(curve.name, [value or None for value in curve.values])
    drawn = Bar(**_settings(unit, header), height=_BARS_HEIGHT, show_legend=False, max_scale=3, min_scale=1)
    return _finish(drawn, title, hours, [shown], header)


def _settings(unit: str, header: Header) -> dict[str, Any]:
    def written(value: float) -> str:
        return quantity(value, unit, header.locale)

    return {
        "width": _WIDTH,
        "style": _STYLE,
        "css": [],
        "js": [],
        "no_prefix": True,
        "disable_xml_declaration": True,
        "margin": 4,
        "include_x_axis": True,
        "show_minor_x_labels": False,
        "truncate_label": -1,
        "truncate_legend": 40,
        "legend_at_bottom": True,
        "value_formatter": written,
        "no_data_text": "nothing was measured",
    }


def _finish(
    drawn: Any,  # noqa: ANN401 - the library has no type hints
    title: str,
    hours: Sequence[datetime],
    curves: Sequence[Curve],
    header: Header,
) -> Markup:
    """Give the library its data and take its drawing."""
    every = _every_hour(hours)
    drawn.x_labels = [f"{day(at, header)}, {clock(at, header)}" for at in every]
    starts = _day_starts(every, header)
    drawn.x_labels_major = [drawn.x_labels[index] for index in starts]
    shown: list[Curve] = []
    for curve in curves:
        known = dict(zip(hours, curve.values, strict=True))
        shown.append(Curve(harmless(curve.name, 60), [known.get(at) for at in every]))
        drawn.add(shown[-1].name, shown[-1].values)
    drawn.add_xml_filter(_cleaner(title, shown))
    names = {f"{day(every[index], header)}, {clock(every[index], header)}": index for index in starts}
    svg = str(drawn.render(is_unicode=True))
    for label, index in names.items():
        # The axis names the day alone; the year stands above the chart, the hour is that in which the day begins.
        svg = svg.replace(
            f'class="major">{label}</text>', f'class="major">{day(every[index], header, year=False)}</text>'
        )
    return Markup(svg)  # noqa: S704 - the library's XML writer has escaped every text


def _every_hour(hours: Sequence[datetime]) -> list[datetime]:
    """Fill in the hours that are absent, so that a gap is as wide as it was long."""
    count = round((hours[-1] - hours[0]) / _HOUR) + 1
    return [hours[0] + index * _HOUR for index in range(count)]


def _day_starts(hours: Sequence[datetime], header: Header) -> list[int]:
    starts: list[int] = []
    before = ""
    for index, at in enumerate(hours):
        named = day(at, header)
        if named != before:
            starts.append(index)
        before = named
    shown = starts[:: -(-len(starts) // _MOST_DAYS)]
    # A day of few hours, the first or the last, has no room for its name before the next one's or the edge.
    room = len(hours) * _NAME_SHARE
    ends = [*shown[1:], len(hours)]
    return [index for index, end in zip(shown, ends, strict=True) if end - index >= room] or shown[:1]


def _cleaner(title: str, curves: Sequence[Curve]) -> Callable[[ET.Element], ET.Element]:
    """Make the filter through which the library passes its drawing before it is written."""

    def clean(root: ET.Element) -> ET.Element:
        root.set("class", "chart")
        root.set("role", "img")
        for parent in list(root.iter()):
            parent.attrib.pop("id", None)
            parent.attrib.pop("style", None)
            for name in _MEASURES & parent.attrib.keys():
                parent.set(name, _LONG.sub(r"\1", parent.attrib[name]))
            if "dot reactive" in parent.get("class", ""):
                parent.set("class", "dot")
            for child in list(parent):
                if _is_ballast(child):
                    parent.remove(child)
        for index, curve in enumerate(curves):
            for series in root.iterfind(f".//g[@class='series serie-{index} color-{index}']"):
                points = [point for point in series.iter("g") if point.find("desc") is not None]
                # The library draws strokes and values in two groups of one class; only one of them has the values.
                for point, alone in zip(points, _alone(curve.values) if points else (), strict=True):
                    _say(point, curve.name)
                    if alone:
                        point.set("class", "dots alone")
        for index, legend in enumerate(root.iterfind(".//g[@class='legend reactive activate-serie']")):
            _sign(legend, index)
        named = root.find("title")
        if named is not None:
            named.text = harmless(title)
        return root

    return clean


def _is_ballast(element: ET.Element) -> bool:
    """Tell comments, the library's style, script and tool tip, and titles of the axis that repeat its text."""
    if not isinstance(element.tag, str):
        return True
    return element.tag == "defs" or element.get("class") in ("plot tooltip-overlay", "plot text-overlay", "titles")


def _alone(values: Sequence[float | None]) -> list[bool]:
    """Say of each value that is there whether it stands between gaps: no stroke reaches it, only its dot shows it."""
    padded = [None, *values, None]
    return [
        before is None and after is None
        for before, value, after in zip(padded, values, padded[2:], strict=False)
        if value is not None
    ]


def _say(point: ET.Element, name: str) -> None:
    """Turn the invisible descriptions of one value into a title that every browser shows and reads out."""
    said = {text.get("class", ""): text.text or "" for text in point.findall("desc")}
    for text in point.findall("desc"):
        point.remove(text)
    title = ET.Element("title")
    title.text = f"{said.get('x_label', '')}; {name} {said['value']}"
    point.insert(0, title)


def _sign(legend: ET.Element, index: int) -> None:
    """Show a curve's own stroke in the legend, for its dashes tell more than its colour."""
    legend.set("class", f"legend serie-{index}")
    box, text = legend.find("rect"), legend.find("text")
    if box is None or text is None:
        return
    x, y = float(box.get("x", "0")), float(box.get("y", "0")) + float(box.get("height", "0")) / 2
    legend.remove(box)
    stroke = ET.Element("path", {"class": "line", "d": f"M{x:.1f} {y:.1f}h{_SIGN_PX}"})
    legend.insert(0, stroke)
    text.set("x", f"{x + _SIGN_PX + 6:.1f}")
