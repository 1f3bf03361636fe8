"""
The look: a page of a paper account book, with ruled columns planned, grown, observed, headroom, and a small mark beside a figure.

The mark is a measure seen from the side. Within: half full. Tight: full to the brim. Over: heaped above the brim. Unmeasured:
an empty outline. Word, shape and colour always come together, so each of the three may be lost.
"""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from typing import Final

from markupsafe import Markup

from netaudit.capacity.line import State

# name -> (on light paper, on dark paper). Every colour that carries text has a contrast of at least 4.5 to 1 with its
# paper (WCAG 2.2, success criterion 1.4.3); blue, ochre and carmine differ in lightness and along blue-yellow, the axis
# that the common colour deficiencies leave.
PALETTE: Final[dict[str, tuple[str, str]]] = {
    "paper": ("#f5f7ef", "#171e1d"),
    "leaf": ("#fcfdf9", "#1f2827"),
    "ink": ("#1c2931", "#e6ebe1"),
    "faint": ("#53616a", "#a7b3ac"),
    "rule": ("#c2d3c7", "#37483f"),
    "margin": ("#b5736b", "#94605a"),
    "within": ("#1c5d8a", "#7fb9f2"),
    "tight": ("#8f5400", "#e3ab50"),
    "over": ("#a3124f", "#f3718f"),
    "unmeasured": ("#62686d", "#a3a9ab"),
}

STATE_WORDS: Final[dict[State, str]] = {
    State.WITHIN: "within",
    State.TIGHT: "tight",
    State.OVER: "over",
    State.UNMEASURED: "not measured",
}

STATE_MEANINGS: Final[dict[State, str]] = {
    State.WITHIN: "under the share we plan to use",
    State.TIGHT: "above that share, still under what there is",
    State.OVER: "more than there is",
    State.UNMEASURED: "nothing was observed",
}

MARK_SIZE: Final = 14
_VESSEL: Final = '<path class="rim" d="M2.5 4V12.5H11.5V4"/>'
_FILLS: Final[dict[State, str]] = {
    State.WITHIN: '<path class="fill" d="M2.5 8.5H11.5V12.5H2.5Z"/>',
    State.TIGHT: '<path class="fill" d="M2.5 4H11.5V12.5H2.5Z"/>',
    State.OVER: '<path class="fill" d="M0 5C1.5 -1.2 12.5 -1.2 14 5H11.5V12.5H2.5V5Z"/>',
    State.UNMEASURED: "",
}


def mark_shape(state: State) -> str:
    """Give the mark's shapes, drawn in a square of MARK_SIZE, without a frame."""
    return _FILLS[state] + _VESSEL


def mark(state: State) -> Markup:
    """Give the mark as an inline picture for a page; the word stands beside it, so it is hidden from screen readers."""
    size = MARK_SIZE
    return Markup(  # noqa: S704 - made of our own constants only
        f'<svg class="mark {state.value}" viewBox="0 0 {size} {size}" width="{size}" height="{size}" '
        f'aria-hidden="true">{mark_shape(state)}</svg>'
    )


def state_word(state: State) -> str:
    """Give the word that goes with the mark."""
    return STATE_WORDS[state]


def _variables(column: int) -> str:
    return "".join(f"--{name}:{pair[column]};" for name, pair in PALETTE.items())


_SHEETS: Final = ("ledger", "chart")
_VARIABLE: Final = re.compile(r"var\(--(\w+)\)")


@cache
def printed_chart_style() -> str:
    """Give the style of charts for a renderer that reads no variables and no style from outside the picture."""
    return _VARIABLE.sub(lambda found: PALETTE[found[1]][0], _sheet("chart"))


def printed_mark_style(state: State) -> str:
    """Give the style of a state's mark for such a renderer."""
    colour = PALETTE[state.value][0]
    dashes = ";stroke-dasharray:2 1.5" if state is State.UNMEASURED else ""
    return f".rim{{fill:none;stroke-width:1.5;stroke:{colour}{dashes}}}.fill{{fill:{colour}}}"


def _sheet(name: str) -> str:
    return resources.files("netaudit.publish").joinpath(f"{name}.css").read_text("utf-8")


@cache
def page_style() -> str:
    """Give the style sheet of pages and reports: the colours as variables, then ledger.css and chart.css."""
    sheet = "".join(map(_sheet, _SHEETS))
    return (
        f":root{{color-scheme:light dark;{_variables(0)}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{_variables(1)}}}}}\n{sheet}"
    )


# Drawings must also be read by renderers that know neither variables nor media queries: plain rules first.
_DRAWN: Final = (
    "text{{font-family:system-ui,sans-serif;fill:{ink}}}"
    ".paper{{fill:{paper}}}.leaf{{fill:{leaf};stroke:{rule}}}.plate{{fill:{leaf};stroke:{margin}}}"
    ".box{{fill:{paper};stroke:{ink}}}.wire{{fill:none;stroke:{ink}}}.thin{{fill:none;stroke:{faint}}}"
    ".rule{{fill:none;stroke:{rule}}}.margin{{fill:none;stroke:{margin}}}.faint{{fill:{faint}}}"
    ".socket{{fill:{leaf};stroke:{ink}}}.room{{fill:{leaf};stroke:{faint}}}.wall{{fill:none;stroke:{ink}}}"
    ".ring{{fill:{within};fill-opacity:0.1;stroke:{within}}}"
    ".within .fill{{fill:{within}}}.tight .fill{{fill:{tight}}}.over .fill{{fill:{over}}}"
    ".mark .rim{{fill:none;stroke-width:1.5}}"
    ".within .rim,.line.within{{stroke:{within}}}.tight .rim,.line.tight{{stroke:{tight}}}"
    ".over .rim,.line.over{{stroke:{over}}}"
    ".unmeasured .rim{{stroke:{unmeasured};stroke-dasharray:2 1.5}}.line.unmeasured{{stroke:{ink}}}"
    ".word.within{{fill:{within}}}.word.tight{{fill:{tight}}}.word.over{{fill:{over}}}.word.unmeasured{{fill:{unmeasured}}}"
)


@cache
def drawing_style() -> str:
    """Give the style sheet inside a drawing: light, dark on a dark screen, always light on paper."""
    light, dark = (_DRAWN.format(**{name: pair[column] for name, pair in PALETTE.items()}) for column in (0, 1))
    return f"{light}\n@media screen and (prefers-color-scheme:dark){{{dark}}}"
