from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.publish.chart import Curve, bar_chart, line_chart
from netaudit.site.model import Header
from tests.publish.samples import EVIL
from tests.publish.samples import parsed as parsed_with_names

if TYPE_CHECKING:
    from xml.etree import ElementTree as ET

HEADER = Header(name="x", time_zone="Europe/Lisbon")
MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
HOURS = [MONDAY + timedelta(hours=n) for n in range(168)]


def parsed(svg: str) -> ET.Element:
    """Parse a chart, its tags without their namespace."""
    return parsed_with_names(svg.replace(' xmlns="http://www.w3.org/2000/svg"', ""))


def titles(svg: str) -> list[str]:
    """List what each value says on hover, with plain blanks."""
    said = [title.text or "" for point in parsed(svg).iter("g") for title in point.findall("title")]
    return [text.replace("\u00a0", " ").replace("\u202f", " ") for text in said if ";" in text]


def test_every_value_can_be_read_without_a_script() -> None:
    """Each value has a title with day and time of the site, the curve's name and the value in its unit."""
    svg = str(line_chart("c", HOURS[:3], [Curve("half <b>", [0.001, None, 0.25])], unit="s", header=HEADER))
    assert titles(svg) == [
        "Mon, 2 Mar 2026, 12:00 AM; half <b> 1 ms",
        "Mon, 2 Mar 2026, 2:00 AM; half <b> 250 ms",
    ]


@given(st.lists(st.one_of(st.none(), st.floats(1e-6, 1e6)), min_size=1, max_size=30))
def test_as_many_titles_as_values(values: list[float | None]) -> None:
    """Whatever was measured is there to read, and nothing that was not."""
    svg = str(line_chart("c", HOURS[: len(values)], [Curve("a", values)], unit="s", header=HEADER))
    assert len(titles(svg)) == sum(value is not None for value in values)


@pytest.mark.parametrize("absent", [True, False], ids=["hour absent", "value None"])
def test_nothing_is_drawn_where_nothing_was_measured(absent: bool) -> None:  # noqa: FBT001 - pytest hands it in by name
    """A gap ends one stroke and begins another; without a gap there is one stroke."""
    hours, values = HOURS[:10], [1.0] * 10
    whole = str(line_chart("c", hours, [Curve("a", values)], unit="", header=HEADER))
    shown: list[float | None] = list(values)
    if absent:
        hours, shown = hours[:4] + hours[6:], shown[:4] + shown[6:]
    else:
        shown[4] = shown[5] = None
    broken = str(line_chart("c", hours, [Curve("a", shown)], unit="", header=HEADER))

    def strokes(svg: str) -> int:
        return sum(p.attrib["d"].count("M") for p in parsed(svg).iter("path") if "nofill" in p.get("class", ""))

    assert (strokes(whole), strokes(broken)) == (1, 2)


def test_a_single_hour_makes_a_chart() -> None:
    """The first hour of the first week is a chart too, even with nothing in it."""
    for values in ([None], [0.0], [3.0]):
        assert parsed(str(line_chart("c", HOURS[:1], [Curve("a", values)], unit="s", header=HEADER))).tag == "svg"
        assert parsed(str(bar_chart("c", HOURS[:1], Curve("a", values), unit="s", header=HEADER))).tag == "svg"


def test_a_page_may_forbid_scripts_and_styles() -> None:
    """Nothing of the library's script, style, ids or comments is left, and hostile names are text."""
    svg = str(line_chart(EVIL, HOURS, [Curve(EVIL, [1.0] * 168), Curve("b", [2.0] * 168)], unit="", header=HEADER))
    root = parsed(svg)
    assert {element.tag for element in root.iter()} == {"svg", "title", "g", "rect", "path", "text", "circle"}
    names = {name for element in root.iter() for name in element.attrib}
    assert not {"id", "style", "onload", "href"} & names
    assert "<!--" not in svg
    assert "\u202e" not in svg


def test_the_same_week_gives_the_same_bytes() -> None:
    """No date of its making, no random name is in it."""
    made = {str(line_chart("c", HOURS, [Curve("a", [1.0] * 168)], unit="", header=HEADER)) for _ in range(2)}
    assert len(made) == 1


def test_days_are_named_once_each_at_their_first_hour() -> None:
    """The axis has the seven days of the site's week, in order."""
    svg = str(line_chart("c", HOURS, [Curve("a", [1.0] * 168)], unit="", header=HEADER))
    named = re.findall(r'class="major">(\w{3}), \d+ Mar</text>', svg)
    assert named == ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]


def test_curves_lie_where_the_library_puts_them() -> None:
    """The values' heights are in the order and proportion of the values (two plain points against a third)."""
    svg = str(line_chart("c", HOURS[:3], [Curve("a", [0.0, 5.0, 10.0])], unit="", header=HEADER))
    low, middle, high = (float(dot.attrib["cy"]) for dot in parsed(svg).iter() if dot.get("class") == "dot")
    assert middle == pytest.approx((low + high) / 2, abs=0.2)
    assert high < low


def test_a_bar_for_each_hour_with_a_loss() -> None:
    """Hours without a loss, or without a measurement, have no bar."""
    svg = str(bar_chart("c", HOURS[:4], Curve("lost", [0.0, None, 0.5, 0.01]), unit="share", header=HEADER))
    assert titles(svg) == ["Mon, 2 Mar 2026, 2:00 AM; lost 50 %", "Mon, 2 Mar 2026, 3:00 AM; lost 1 %"]


def test_an_hour_alone_between_gaps_is_marked() -> None:
    """No stroke reaches it, so its dot stays where others are left out, in print."""
    svg = str(line_chart("c", HOURS[:6], [Curve("a", [1.0, None, 2.0, 3.0, None, 4.0])], unit="", header=HEADER))
    assert re.findall(r'class="(dots[^"]*)"', svg) == ["dots alone", "dots", "dots", "dots alone"]
