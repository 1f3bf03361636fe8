"""
A sheet to draw on: escaped SVG elements, and an estimate of how wide a text will be.

Nothing here measures real fonts: widths are those of a wide common typeface, so text is at most as wide as estimated in
most others and never runs into its neighbour.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape, quoteattr

from netaudit.publish.look import STATE_WORDS, drawing_style, mark_shape
from netaudit.publish.text import harmless

if TYPE_CHECKING:
    from netaudit.capacity.line import State

# Advance widths in thousandths of the size, from space to tilde: measured in DejaVu Sans, one of the widest text faces.
_ADVANCES: Final = (
    (318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337)
    + (636,) * 10
    + (337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295, 295, 656, 557, 863, 748, 787)
    + (603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615)
    + (352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636)
    + (337, 636, 838)
)
_BOLD: Final = 1.13  # bold of that face against its regular, the widest letters


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Estimate the width of one line of text [px], on the wide side."""
    thousandths = 0
    for char in text:
        code = ord(char)
        if 32 <= code < 127:
            thousandths += _ADVANCES[code - 32]
        elif unicodedata.combining(char):
            continue
        else:
            thousandths += 1000 if unicodedata.east_asian_width(char) in "WFA" or code > 0x2000 else 800
    return thousandths / 1000 * size * (_BOLD if bold else 1)


def fit(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """Cut a text, with an ellipsis, to what a width holds."""
    if text_width(text, size, bold=bold) <= width:
        return text
    while text and text_width(text + "\u2026", size, bold=bold) > width:
        text = text[:-1]
    return text.rstrip() + "\u2026"


def wrap(text: str, width: float, size: float, *, most: int, bold: bool = False) -> list[str]:
    """
    Break a text into at most `most` lines of a width, at spaces and, within a word that is too long, anywhere.

    The last line is cut, with an ellipsis, only when even that is not enough.
    """
    lines: list[str] = []
    rest = text.strip()
    while rest:
        if text_width(rest, size, bold=bold) <= width:
            return [*lines, rest]
        if len(lines) == most - 1:
            return [*lines, fit(rest, width, size, bold=bold)]
        taken = len(rest)
        while taken > 1 and text_width(rest[:taken], size, bold=bold) > width:
            taken -= 1
        # A space ends the line; a hyphen may, for names are often made with them; else the word is broken.
        space = rest.rfind(" ", 0, taken + 1)
        hyphen = rest.rfind("-", 0, taken) + 1
        end = space if space > 0 else hyphen if hyphen > taken // 2 else taken
        lines.append(rest[:end].rstrip())
        rest = rest[end:].lstrip()
    return lines


class Sheet:
    """Collects elements in drawing order; `svg` gives the document."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def open(
        self, identity: str = "", *, title: str = "", kind: str = "", at: tuple[float, float] | None = None
    ) -> None:
        """Begin a group; its title shows on hover and is read aloud."""
        named = (f" id={quoteattr(identity)}" if identity else "") + (f" class={quoteattr(kind)}" if kind else "")
        moved = f' transform="translate({at[0]:.5g} {at[1]:.5g})"' if at else ""
        self._parts.append(f"<g{named}{moved}>" + (f"<title>{escape(harmless(title, 600))}</title>" if title else ""))

    def close(self) -> None:
        """End the group."""
        self._parts.append("</g>")

    def extend(self, other: Sheet) -> None:
        """Put all of another sheet's elements on top of what is here."""
        self._parts += other._parts

    def rect(self, x: float, y: float, width: float, height: float, kind: str, *, round_px: float = 0) -> None:
        """Draw a rectangle."""
        corner = f' rx="{round_px:g}"' if round_px else ""
        self._parts.append(
            f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"{corner}/>'
        )

    def path(self, data: str, kind: str, *, stroke_px: float = 1, dashes: str = "") -> None:
        """Draw a path; `data` is ours."""
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._parts.append(f'<path class="{kind}" d="{data}" stroke-width="{stroke_px:g}"{dashed}/>')

    def circle(self, x: float, y: float, radius: float, kind: str, *, dashes: str = "") -> None:
        """Draw a circle."""
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._parts.append(f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"{dashed}/>')

    def text(
        self, x: float, y: float, text: str, *, size: float = 12, kind: str = "", bold: bool = False, anchor: str = ""
    ) -> None:
        """Write one line; y is its baseline."""
        said = escape(harmless(text, 400))
        attributes = (f' class="{kind}"' if kind else "") + (' font-weight="600"' if bold else "")
        attributes += f' text-anchor="{anchor}"' if anchor else ""
        self._parts.append(f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}"{attributes}>{said}</text>')

    def mark(self, x: float, y: float, state: State) -> None:
        """Draw a state's mark with its upper left corner at a point."""
        self.open(title=STATE_WORDS[state], kind=f"mark {state.value}", at=(x, y))
        self._parts.append(mark_shape(state))
        self.close()

    def elements(self) -> str:
        """Give the elements alone, without a frame or a style."""
        return "\n".join(self._parts)

    def inline(self, width: float, height: float, title: str, kind: str) -> str:
        """Give the sheet as a part of a page, which brings the style."""
        return (
            f'<svg class="{kind}" viewBox="0 0 {width:.0f} {height:.0f}" role="img">'
            f"<title>{escape(harmless(title))}</title>" + "".join(self._parts) + "</svg>"
        )

    def svg(self, width: float, height: float, title: str, description: str = "") -> str:
        """Give the whole document, on paper of this size [px]."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
            f'height="{height:.0f}" role="img" lang="en">\n<title>{escape(harmless(title))}</title>\n'
            f"<desc>{escape(harmless(description, 400))}</desc>\n<style>{drawing_style()}</style>\n"
            f'<rect class="paper" width="100%" height="100%"/>\n' + "\n".join(self._parts) + "\n</svg>\n"
        )
