"""A number with its noun, for every room that speaks of how many there are."""

from __future__ import annotations


def counted(number: int, one: str, many: str = "") -> str:
    """Write how many there are of something: "1 reading", "3 readings"; many is its plural where that is not one more s."""
    return f"{number} {one if number == 1 else many or one + 's'}"
