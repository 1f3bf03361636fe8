from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.line import State
from netaudit.publish.svg import Sheet, fit, text_width, wrap
from tests.publish.samples import parsed

words = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("C", "Z", "M")), min_size=1, max_size=30)
sentences = st.lists(words, min_size=1, max_size=8).map(" ".join)


def test_widths_are_those_of_a_known_typeface() -> None:
    """At 1000 px, DejaVu Sans as a browser measured it: the narrow i 278, the wide W 989, a digit 636 px."""
    assert [text_width(char, 1000) for char in "iW0"] == [278, 989, 636]


@given(sentences, st.floats(60, 600), st.integers(1, 4))
def test_wrapped_lines_fit(text: str, width: float, most: int) -> None:
    """No line is wider than asked, and there are no more of them than allowed."""
    lines = wrap(text, width, 12, most=most)
    assert 1 <= len(lines) <= most
    assert all(text_width(line, 12) <= width for line in lines)


@given(sentences, st.floats(60, 600))
def test_wrapping_loses_nothing_when_there_is_room(text: str, width: float) -> None:
    """With lines enough, all that was written is there, in order; only spaces at the breaks are gone."""
    assert "".join(wrap(text, width, 12, most=1000)).replace(" ", "") == text.replace(" ", "")


@given(st.text(min_size=1, max_size=60), st.floats(30, 300))
def test_a_cut_text_fits_and_says_that_it_was_cut(text: str, width: float) -> None:
    """What is too wide ends in an ellipsis; what fits stays as it is."""
    made = fit(text, width, 12)
    assert text_width(made, 12) <= width
    assert made == text or made.endswith("\u2026")


@given(st.text(max_size=80))
def test_any_text_makes_well_formed_xml(text: str) -> None:
    """Whatever is written, titled or named, the document parses."""
    sheet = Sheet()
    sheet.open("an id", title=text)
    sheet.text(1, 2, text)
    sheet.mark(0, 0, State.OVER)
    sheet.close()
    root = parsed(sheet.svg(10, 10, text, text))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
