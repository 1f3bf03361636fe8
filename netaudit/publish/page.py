"""
The pages: an overview for the household, the ledger, the drawing, the reports, and the metrics. Rendered here, no scripts.

The app is made of what it is given: a function for the present state, a registry, a folder. It opens no socket.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from netaudit.capacity.ledger import Ledger
from netaudit.capacity.line import State
from netaudit.publish.archive import read_report, report_names
from netaudit.publish.drawing import draw
from netaudit.publish.guard import SELF_CONTAINED, Guard
from netaudit.publish.look import PALETTE, mark_shape, page_style
from netaudit.publish.summary import LedgerRow, ledger_rows, summarise
from netaudit.publish.template import render
from netaudit.publish.text import span

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from prometheus_client import CollectorRegistry
    from starlette.requests import Request

    from netaudit.publish.views import PageState

# The overview names the lines that are nearest to their end; all are in the ledger.
FULLEST: Final = 6
# Judging happens every minute or so by default; a state this old means that the daemon is stuck.
STALE_S: Final = 1800.0


def make_app(
    state: Callable[[], PageState],
    registry: CollectorRegistry,
    *,
    reports: Path | None = None,
    hosts: Iterable[str] = (),
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Starlette:
    """
    Make the web app.

    Args:      state gives the present state, quickly; reports is the folder of weekly reports; hosts are names and addresses
               beside loopback under which the box is reached; now gives the aware present, for the age of the state.
    """
    pages = _Pages(state, registry, reports, now)
    return Starlette(
        routes=[
            Route("/", pages.overview),
            Route("/ledger", pages.ledger),
            Route("/drawing.svg", pages.drawing),
            Route("/metrics", pages.metrics),
            Route("/reports", lambda _: RedirectResponse("/reports/", 308)),
            Route("/reports/", pages.archive),
            Route("/reports/{name}", pages.report),
            Route("/ledger.css", lambda _: Response(page_style(), media_type="text/css")),
            Route("/favicon.svg", lambda _: Response(_favicon(), media_type="image/svg+xml")),
            Route("/favicon.ico", lambda _: RedirectResponse("/favicon.svg", 308)),
        ],
        middleware=[Middleware(Guard, hosts=tuple(hosts))],
    )


class _Pages:
    """The handlers; Starlette runs them in a worker thread, so that a large page doesn't hold up the looking."""

    def __init__(
        self,
        state: Callable[[], PageState],
        registry: CollectorRegistry,
        reports: Path | None,
        now: Callable[[], datetime],
    ) -> None:
        self._state = state
        self._registry = registry
        self._reports = reports
        self._now = now

    def overview(self, _: Request) -> Response:
        state = self._state()
        rows = ledger_rows(state.standings, state.site)
        now = self._now()
        open_ones = [finding for finding in state.findings if finding.closed_at is None]
        return self._page(
            "overview.html",
            "/",
            state,
            summary=summarise(state.site, state.standings, state.hazards, state.flaws, state.findings),
            segments=state.segments,
            fullest=sorted(rows, key=_share_left)[:FULLEST],
            open=[(finding, span(max(0.0, (now - finding.opened_at).total_seconds()))) for finding in open_ones],
            sources=state.sources,
        )

    def ledger(self, _: Request) -> Response:
        state = self._state()
        rows = ledger_rows(state.standings, state.site)
        return self._page("ledger.html", "/ledger", state, rows=rows, hazards=state.hazards, flaws=state.flaws)

    def drawing(self, _: Request) -> Response:
        state = self._state()
        lines = tuple(standing.line for standing in state.standings)
        svg = draw(state.site, Ledger(lines, state.hazards, state.flaws))
        return Response(svg, media_type="image/svg+xml", headers={"content-security-policy": SELF_CONTAINED})

    def metrics(self, _: Request) -> Response:
        return Response(generate_latest(self._registry), media_type=CONTENT_TYPE_LATEST)

    def archive(self, _: Request) -> Response:
        return self._page("archive.html", "/reports/", self._state(), names=report_names(self._reports))

    def report(self, request: Request) -> Response:
        page = read_report(self._reports, request.path_params["name"])
        if page is None:
            return PlainTextResponse("there is no such report\n", 404)
        return HTMLResponse(page, headers={"content-security-policy": SELF_CONTAINED})

    def _page(self, template: str, here: str, state: PageState, **values: object) -> Response:
        age_s = (self._now() - state.at).total_seconds() if state.at is not None else 0.0
        header = state.site.site
        frame = {
            "site": state.site,
            "header": header,
            "locale": header.locale,
            "here": here,
            "at": state.at,
            "stale": span(age_s) if age_s > STALE_S else "",
        }
        return HTMLResponse(render(template, {**frame, **values}))


def _share_left(row: LedgerRow) -> float:
    """Give the share of the usable supply that is left; what has no limit is the emptiest."""
    usable = row.line.usable
    if usable == float("inf"):
        return float("inf")
    return row.headroom / usable if usable > 0 else row.headroom


def _favicon() -> str:
    light, dark = PALETTE["within"]
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 16 16"><style>'
        f".rim{{fill:none;stroke:{light};stroke-width:2}}.fill{{fill:{light}}}"
        f"@media(prefers-color-scheme:dark){{.rim{{stroke:{dark}}}.fill{{fill:{dark}}}}}"
        f"</style>{mark_shape(State.WITHIN)}</svg>"
    )
