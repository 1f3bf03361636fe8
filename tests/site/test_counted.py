"""A number with its noun."""

from __future__ import annotations

from netaudit.site.counted import counted


def test_a_single_thing_is_told_from_several() -> None:
    """Only of exactly one is the word a singular; a plural of its own is taken as given."""
    assert [counted(number, "reading") for number in (0, 1, 2)] == ["0 readings", "1 reading", "2 readings"]
    assert [counted(number, "switch", "switches") for number in (0, 1, 2)] == ["0 switches", "1 switch", "2 switches"]
