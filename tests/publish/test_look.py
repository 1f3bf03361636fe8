from __future__ import annotations

from itertools import combinations

import pytest

from netaudit.capacity.line import State
from netaudit.publish.look import PALETTE, STATE_MEANINGS, STATE_WORDS, drawing_style, mark, mark_shape, page_style

TEXT_COLOURS = ("ink", "faint", "within", "tight", "over", "unmeasured")

# Machado, Oliveira, Fernandes 2009, Table 1, severity 1.0, on linear RGB (from memory; rows must add up to one).
DEFICIENCIES = {
    "protanomaly": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranomaly": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
}


def linear(colour: str) -> tuple[float, float, float]:
    """Turn #rrggbb into linear RGB (IEC 61966-2-1, as WCAG 2.2 uses it)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return red, green, blue


def luminance(rgb: tuple[float, float, float]) -> float:
    """WCAG 2.2, relative luminance."""
    return 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    high, low = sorted((luminance(linear(one)), luminance(linear(other))), reverse=True)
    return (high + 0.05) / (low + 0.05)


def lab(rgb: tuple[float, float, float]) -> tuple[float, float, float]:
    """CIE 1976 L*a*b* of linear sRGB, white D65."""
    red, green, blue = (max(0.0, min(1.0, part)) for part in rgb)
    x = (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505
    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    z = (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.089
    fx, fy, fz = (t ** (1 / 3) if t > 216 / 24389 else (24389 / 27 * t + 16) / 116 for t in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def test_the_formula_gives_what_the_standard_says() -> None:
    """Black on white is 21 to 1 (WCAG 2.2, definition of contrast ratio)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("column", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "leaf"])
@pytest.mark.parametrize("colour", TEXT_COLOURS)
def test_text_can_be_read(colour: str, ground: str, column: int) -> None:
    """Each colour that carries text has at least 4.5 to 1 on its ground (WCAG 2.2, success criterion 1.4.3)."""
    assert contrast(PALETTE[colour][column], PALETTE[ground][column]) >= 4.5


@pytest.mark.parametrize("column", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("kind", DEFICIENCIES)
def test_states_stay_apart_for_the_colour_blind(kind: str, column: int) -> None:
    """Seen without red or green cones, the three states still differ by 20 in CIE 1976 dE (2.3 is just noticeable)."""
    matrix = DEFICIENCIES[kind]
    assert all(sum(row) == pytest.approx(1, abs=1e-5) for row in matrix)
    seen = []
    for state in ("within", "tight", "over"):
        rgb = linear(PALETTE[state][column])
        red, green, blue = (sum(a * b for a, b in zip(row, rgb, strict=True)) for row in matrix)
        seen.append(lab((red, green, blue)))
    for one, other in combinations(seen, 2):
        assert sum((a - b) ** 2 for a, b in zip(one, other, strict=True)) ** 0.5 >= 20


def test_each_state_has_its_own_word_shape_and_meaning() -> None:
    """Any one of word, shape and colour tells the states apart."""
    for table in (STATE_WORDS, STATE_MEANINGS, {state: mark_shape(state) for state in State}):
        assert set(table) == set(State)
        assert len(set(table.values())) == len(State)
    assert len({str(mark(state)) for state in State}) == len(State)


def test_dark_is_for_screens_only() -> None:
    """Every change of colour for the dark is bound to a screen, so that nobody prints a black page."""
    for sheet in (page_style(), drawing_style()):
        assert sheet.count("prefers-color-scheme") == sheet.count("@media screen and (prefers-color-scheme:dark)") == 1
