"""The drawing on pages: A4 across, cut between rows, so that an installer can take it along."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from netaudit.publish.drawing import draw_slices
from netaudit.publish.look import drawing_style
from netaudit.publish.template import render

if TYPE_CHECKING:
    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

# The part of an A4 page (ISO 216) across that the template leaves to the drawing.
_WIDTH_MM: Final = 277.0
_HEIGHT_MM: Final = 183.0


def print_pages(site: Site, ledger: Ledger) -> str:
    """Give one self-contained page that prints the drawing on as many sheets as it needs."""
    drawn = draw_slices(site, ledger, _HEIGHT_MM / _WIDTH_MM)
    return render(
        "print.html",
        {
            "site": site,
            "width": f"{drawn.width:.0f}",
            "slices": drawn.slices,
            "mm_a_px": _WIDTH_MM / drawn.width,
            # The sheet has escaped every text in it.
            "body": Markup(drawn.body),  # noqa: S704 - the drawing escapes every name itself
            "drawn": Markup(drawing_style()),  # noqa: S704 - our own constants
        },
    )
