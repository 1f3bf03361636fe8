"""A self-contained page as PDF, by weasyprint (the optional extra `pdf`): it takes the same HTML and style sheet as the screen."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from netaudit.errors import NetauditError

if TYPE_CHECKING:
    from collections.abc import Mapping


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
    made: bytes = HTML(string=page, url_fetcher=_nowhere).write_pdf()
    return made
