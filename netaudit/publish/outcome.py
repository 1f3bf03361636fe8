"""
The mark of an outcome: a square of paper. Passed: filled, with a tick left out. Failed: crossed. Waived: one stroke through it.
Not tested: an empty, broken outline. Word, shape and colour always come together.
"""

from __future__ import annotations

from typing import Final

from markupsafe import Markup

from netaudit.audit.acceptance.check import Outcome
from netaudit.publish.look import MARK_SIZE, PALETTE

# outcome -> (the class that colours it, its shapes in a square of MARK_SIZE)
_MARKS: Final[dict[Outcome, tuple[str, str]]] = {
    Outcome.PASSED: (
        "within",
        '<path class="fill" fill-rule="evenodd" d="M1.5 1.5H12.5V12.5H1.5ZM3.2 7L6 10.4L11.2 4.4L9.9 3.2L6 7.8L4.4 5.9Z"/>',
    ),
    Outcome.FAILED: ("over", '<path class="rim" d="M1.5 1.5H12.5V12.5H1.5ZM1.5 1.5L12.5 12.5M12.5 1.5L1.5 12.5"/>'),
    Outcome.WAIVED: ("tight", '<path class="rim" d="M1.5 1.5H12.5V12.5H1.5ZM1.5 12.5L12.5 1.5"/>'),
    Outcome.NOT_TESTED: ("unmeasured", '<path class="rim" d="M1.5 1.5H12.5V12.5H1.5Z"/>'),
}
MEANINGS: Final[dict[Outcome, str]] = {
    Outcome.PASSED: "the evidence shows it",
    Outcome.FAILED: "the evidence shows the contrary",
    Outcome.WAIVED: "somebody, named here, accepts it as it is",
    Outcome.NOT_TESTED: "no evidence, or too little",
}


def outcome_mark(outcome: Outcome) -> Markup:
    """Give the mark with its word, for a page."""
    colour, shapes = _MARKS[outcome]
    size = MARK_SIZE
    # As attributes too: who prints may not take a page's style sheet into its pictures. On a screen the sheet goes first.
    light = PALETTE[colour][0]
    shapes = shapes.replace('class="fill"', f'class="fill" fill="{light}"')
    shapes = shapes.replace('class="rim"', f'class="rim" fill="none" stroke="{light}" stroke-width="1.5"')
    if outcome is Outcome.NOT_TESTED:
        shapes = shapes.replace("<path ", '<path stroke-dasharray="2 1.5" ')
    return Markup(  # noqa: S704 - made of our own constants only
        f'<span class="word {colour}"><svg class="mark {colour}" viewBox="0 0 {size} {size}" width="{size}" '
        f'height="{size}" aria-hidden="true">{shapes}</svg>{outcome.value}</span>'
    )
