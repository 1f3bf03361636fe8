from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.publish.chart import Curve, chart, nice_top
from netaudit.site.model import Header
from tests.publish.samples import parsed

HEADER = Header(name="x", time_zone="Europe/Lisbon")
MONDAY = datetime(2026, 3, 2, tzinfo=UTC)


@given(st.floats(1e-9, 1e12))
def test_the_axis_ends_at_a_round_number_just_above(largest: float) -> None:
    """The end is at or above the largest value, at most two and a half times it, and 1, 2, 2.5 or 5 by a power of ten."""
    top = nice_top(largest)
    assert largest * (1 - 1e-9) <= top <= largest * 2.5
    assert float(f"{top:.6e}"[:8]) in (1, 2, 2.5, 5, 10)


def strips(svg: str) -> list[str]:
    """List what each hour says on hover."""
    return [title.text or "" for title in parsed(svg).findall("g/title")]


def test_every_value_can_be_read_without_a_script() -> None:
    """Each hour's strip names day and time of the site, each curve's value, and the loss."""
    hours = [MONDAY + timedelta(hours=n) for n in range(3)]
    svg = str(
        chart("c", hours, [Curve("half <b>", [0.001, None, 0.25])], unit="s", header=HEADER, lost=[0.0, None, 0.5])
    )
    said = [text.replace("\u00a0", " ").replace("\u202f", " ") for text in strips(svg)]
    assert len(said) == 3
    assert said[0].startswith("Mon, 2 Mar 2026, 12:00 AM; half <b> 1 ms; lost 0 %")
    assert "half <b> not measured; lost not measured" in said[1]
    assert "half <b> 250 ms; lost 50 %" in said[2]


@pytest.mark.parametrize("absent", [True, False], ids=["hour absent", "value None"])
def test_nothing_is_drawn_where_nothing_was_measured(absent: bool) -> None:  # noqa: FBT001 - pytest hands it in by name
    """A gap ends one stroke and begins another; without a gap there is one stroke."""
    hours = [MONDAY + timedelta(hours=n) for n in range(10)]
    values: list[float | None] = [1.0] * 10
    whole = str(chart("c", hours, [Curve("a", values)], unit="", header=HEADER))
    if absent:
        hours, values = hours[:4] + hours[6:], values[:4] + values[6:]
    else:
        values[4] = values[5] = None
    broken = str(chart("c", hours, [Curve("a", values)], unit="", header=HEADER))

    def strokes(svg: str) -> int:
        path = next(p for p in parsed(svg).iter("path") if p.get("class") == "within" and "L" in p.attrib["d"])
        return path.attrib["d"].count("M")

    assert (strokes(whole), strokes(broken)) == (1, 2)


def test_a_single_hour_makes_a_chart() -> None:
    """The first hour of the first week is a chart too, even with nothing in it."""
    svg = str(chart("c", [MONDAY], [Curve("a", [None])], unit="s", header=HEADER))
    assert len(strips(svg)) == 1
