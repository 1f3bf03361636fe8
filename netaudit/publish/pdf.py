"""A self-contained page as PDF, by weasyprint (the optional extra `pdf`): it takes the same HTML and style sheet as the screen."""

from __future__ import annotations

import logging
import re
from typing import TYPE_CHECKING, Final

from netaudit.capacity.line import State
from netaudit.errors import NetauditError
from netaudit.publish.look import printed_chart_style, printed_mark_style

if TYPE_CHECKING:
    from collections.abc import Mapping


_CHART: Final = re.compile(r'<svg [^>]*class="chart"[^>]*>')
_FOLDED: Final = re.compile(r"<details>.*?</details>", re.DOTALL)
# On the screen a dot is what one points at for a value.
_DOTS: Final = re.compile(r'<g class="dots">.*?</g>', re.DOTALL)
_MARK: Final = re.compile(r'<svg class="mark (\w+)"[^>]*>')


def _nowhere(url: str, *_: object, **__: object) -> Mapping[str, object]:
    """Fetch nothing: a page that we make brings all it needs with it."""
    raise ValueError(f"{url}: nothing is fetched for a document")


def to_pdf(page: str) -> bytes:
    """
    Print a page of ours; 60 MB of memory, so not for the daemon's own process.

    Raises:    NetauditError: weasyprint or the libraries that it needs are not installed.
    """
    try:
        from weasyprint import HTML  # noqa: PLC0415 - an optional extra, and dear
    except (ImportError, OSError) as error:
        raise NetauditError(
            f'a PDF needs weasyprint and pango ({error}): pip install "netaudit[pdf]", apt install libpangoft2-1.0-0'
        ) from error
    # It tells of every property of the screen that paper doesn't have.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    made: bytes = HTML(string=_dressed(page), url_fetcher=_nowhere).write_pdf()
    return made


def _dressed(page: str) -> str:
    """
    Give each picture its style, for the page's own doesn't reach into pictures when this library draws them.

    What is folded on the screen stays out, as when a browser prints it: a thousand hours, row by row, cost 300 MB.
    """
    page = _DOTS.sub("", _FOLDED.sub("", page))
    page = _CHART.sub(lambda found: f"{found[0]}<style>{printed_chart_style()}</style>", page)
    return _MARK.sub(lambda found: f"{found[0]}<style>{printed_mark_style(State(found[1]))}</style>", page)
