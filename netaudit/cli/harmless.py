"""Text that a stranger wrote, made fit for a terminal."""

from __future__ import annotations

import unicodedata

# What steers a terminal or turns text around: control characters, format characters (the bidirectional ones among
# them), surrogates, private use, unassigned, and the two separators that break a line.
_HARMFUL = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
_INSTEAD = "\N{REPLACEMENT CHARACTER}"
# More than two marks on one letter don't occur in names of devices; heaps of them paint over the lines around.
_MOST_MARKS = 2


def harmless(text: str, most: int = 40) -> str:
    """
    Make text from the wire safe to print: one line, at most `most` characters, nothing that a terminal would obey.

    Each harmful character becomes U+FFFD, so that it is seen that something was there.
    """
    clean: list[str] = []
    marks = 0
    for character in text:
        category = unicodedata.category(character)
        marks = marks + 1 if category.startswith("M") else 0
        if marks > _MOST_MARKS:
            continue
        clean.append(_INSTEAD if category in _HARMFUL else character)
        if len(clean) > most:
            clean[most - 1 :] = ["\N{HORIZONTAL ELLIPSIS}"]
            break
    return "".join(clean)
