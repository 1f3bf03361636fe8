"""
The pages: an overview for the household, ledger, drawing, devices, networks, findings, reports, and the metrics.

Rendered here and whole without a script; one small script says how old a page is. The app is made of what it is given: a
function for the present state, a reader of the store, a registry, a folder. It opens no socket.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from prometheus_client.exposition import choose_encoder
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, Router, request_response

from netaudit.capacity.ledger import Ledger
from netaudit.capacity.line import State
from netaudit.errors import CaptureError, NetauditError, StoreError
from netaudit.publish.actions import Actions
from netaudit.publish.archive import read_report, report_names
from netaudit.publish.entry import Access, Sessions
from netaudit.publish.guard import SELF_CONTAINED, SESSION, Guard
from netaudit.publish.kept import ORDERS
from netaudit.publish.look import PALETTE, mark_shape, page_style
from netaudit.publish.summary import LedgerRow, ledger_rows, summarise
from netaudit.publish.template import render
from netaudit.publish.text import harmless, span

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from prometheus_client import CollectorRegistry
    from starlette.requests import Request

    from netaudit.audit.standing import Standing
    from netaudit.capacity.line import Line
    from netaudit.publish.entry import Session
    from netaudit.publish.kept import Kept
    from netaudit.publish.views import FindingView, PageState

# The overview names the lines that are nearest to their end; all are in the ledger.
FULLEST: Final = 6
# Judging happens every minute or so by default; a state this old means that the daemon is stuck.
STALE_S: Final = 1800.0
# A name in the DNS is at most 253 characters; nobody searches for more.
LONGEST_SEARCH: Final = 80
# A move is prepared and followed for weeks; in the years after it nobody looks for it among the pages. common practice, no
# source
MOVE_SHOWN: Final = timedelta(days=60)
# Who stands in a room and waits for a device looks at the page about once in a minute: a slower watch seems dead.
SLOW_S: Final = 60.0
# Nobody but this box's users reaches the pages, and nobody can log in.
LOCAL: Final = Access()


def make_app(
    state: Callable[[], PageState],
    kept: Kept,
    registry: CollectorRegistry,
    *,
    reports: Path | None = None,
    hosts: Iterable[str] = (),
    access: Access = LOCAL,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    steady: Callable[[], float] = time.monotonic,
) -> Starlette:
    """
    Make the web app.

    Args:      state gives the present state, quickly; kept reads the store; reports is the folder of weekly reports; hosts
               are names and addresses beside loopback under which the box is reached; access says who may do what; now
               gives the aware present, for the age of the state; steady seconds that no clock change moves.
    """
    sessions = Sessions(steady)
    pages = _Pages(state, kept, reports=reports, access=access, now=now)
    actions = Actions(kept, access, sessions, steady)
    return Starlette(
        routes=[
            *pages.routes(),
            Route("/findings/acknowledge", actions.acknowledge, methods=["POST"]),
            Route("/findings/mute", actions.mute, methods=["POST"]),
            Route("/login", pages.login),
            Route("/login", actions.login, methods=["POST"]),
            Route("/logout", actions.logout, methods=["POST"]),
            Route("/metrics", lambda request: _metrics(registry, request)),
            Route("/fresh", pages.fresh),
            *look_routes(),
        ],
        middleware=[
            Middleware(Guard, hosts=tuple(hosts), access=access, sessions=sessions, steady=steady),
        ],
        exception_handlers={NetauditError: tell_trouble, 404: lambda request, _: pages.absent(request)},
    )


def central_pages(
    state: Callable[[], PageState],
    kept: Kept,
    *,
    reports: Path | None,
    access: Access,
    now: Callable[[], datetime],
    stale_s: float,
) -> Router:
    """
    Give a site's pages where boxes ship to, to be mounted: nothing changes there, nor is newer than a shipment.

    Args:      as `make_app`; stale_s: a state older than this is said to be old [s].
    """
    pages = _Pages(state, kept, reports=reports, access=access, now=now, stale_s=stale_s, central=True)
    return Router(pages.routes(), default=request_response(pages.absent))


def look_routes() -> list[Route]:
    """Give the way to what makes any page look as it does: style, script, mark."""
    return [
        Route("/ledger.css", lambda _: Response(page_style(), media_type="text/css")),
        Route("/fresh.js", lambda _: Response(_script(), media_type="text/javascript")),
        Route("/favicon.svg", lambda _: Response(_favicon(), media_type="image/svg+xml")),
        Route("/favicon.ico", lambda _: RedirectResponse("/favicon.svg", 308)),
    ]


class _Pages:
    """The pages of one site; Starlette runs them in a worker thread, so that a large page doesn't hold up the looking."""

    def __init__(
        self,
        state: Callable[[], PageState],
        kept: Kept,
        *,
        reports: Path | None,
        access: Access,
        now: Callable[[], datetime],
        stale_s: float = STALE_S,
        central: bool = False,
    ) -> None:
        self._state = state
        self._kept = kept
        self._reports = reports
        self._access = access
        self._now = now
        self._stale_s = stale_s
        self._central = central

    def routes(self) -> list[Route]:
        """Give the way to each page that only shows, wherever they are mounted."""
        return [
            Route("/", self.overview),
            Route("/ledger", self.ledger),
            Route("/drawing", self.drawing),
            Route("/drawing.svg", self.drawing_svg),
            Route("/devices", self.devices),
            Route("/devices/{mac}", self.device),
            Route("/networks", self.segments),
            Route("/networks/{name}", self.segment),
            Route("/findings", self.findings),
            Route("/move", self.move),
            Route("/move/plan", self.move_plan),
            Route("/reports", lambda request: RedirectResponse(f"{root_of(request)}/reports/", 308)),
            Route("/reports/", self.archive),
            Route("/reports/{name}", self.report),
            Route("/certificates/{key}", self.certificate),
            Route("/certificates/{key}/text", self.certificate_text),
        ]

    def overview(self, request: Request) -> Response:
        state = self._state()
        rows = ledger_rows(state.standings, state.site)
        open_ones = self._open()
        return self._page(
            "overview.html",
            request,
            state,
            unmeasured=State.UNMEASURED,
            summary=summarise(state.site, state.standings, state.hazards, state.flaws, open_ones),
            segments=state.segments,
            changed=self._kept.changed(),
            fullest=sorted(rows, key=_share_left)[:FULLEST],
            open=[(finding, self._lasts(finding)) for finding in open_ones],
            sources=state.sources,
            waiting=self._kept.waiting(),
        )

    def ledger(self, request: Request) -> Response:
        state = self._state()
        rows = ledger_rows(state.standings, state.site)
        return self._page("ledger.html", request, state, rows=rows, hazards=state.hazards, flaws=state.flaws)

    def drawing(self, request: Request) -> Response:
        return self._page("drawing.html", request, self._state())

    def drawing_svg(self, _: Request) -> Response:
        from netaudit.publish.drawing import draw  # noqa: PLC0415 - not needed before somebody asks for it

        state = self._state()
        # What is drawn is what is asked of a place: the larger of plan and observation, as everywhere else.
        svg = draw(state.site, Ledger(tuple(map(as_asked, state.standings)), state.hazards, state.flaws))
        return Response(svg, media_type="image/svg+xml", headers={"content-security-policy": SELF_CONTAINED})

    def devices(self, request: Request) -> Response:
        search = harmless(request.query_params.get("search", ""), LONGEST_SEARCH)
        order = next((one for one in ORDERS if one == request.query_params.get("sort")), ORDERS[0])
        found = self._kept.devices(search, order)
        return self._page("devices.html", request, self._state(), found=found, search=search, order=order)

    def device(self, request: Request) -> Response:
        past = self._kept.device(request.path_params["mac"])
        if past is None:
            return self.absent(request, "device")
        return self._page("device.html", request, self._state(), past=past)

    def segments(self, request: Request) -> Response:
        state = self._state()
        return self._page("segments.html", request, state, segments=state.segments, answers=self._kept.answers())

    def segment(self, request: Request) -> Response:
        state, name = self._state(), request.path_params["name"]
        if name not in state.site.segment:
            return self.absent(request, "network")
        return self._page("segment.html", request, state, name=name, past=self._kept.segment(name))

    def findings(self, request: Request) -> Response:
        return self._page(
            "findings.html",
            request,
            self._state(),
            open=[(finding, self._lasts(finding)) for finding in self._open()],
            settled=[(finding, self._lasts(finding)) for finding in self._kept.settled_findings()],
            today=self._now().astimezone(ZoneInfo(self._state().site.site.time_zone)).date().isoformat(),
        )

    def login(self, request: Request) -> Response:
        return self._page("login.html", request, self._state(), wrong="wrong" in request.query_params)

    def move(self, request: Request) -> Response:
        state, baselines = self._state(), self._kept.baselines()
        chosen = _chosen(request, baselines)
        if baselines and chosen is None:
            return self.absent(request, "baseline")
        values: dict[str, object] = {"night": None, "trouble": "", "chosen": chosen, "slow_s": SLOW_S}
        if chosen is not None:
            from netaudit.publish.moving import night_values  # noqa: PLC0415 - what it compares with is many modules

            try:
                found = self._kept.nights.look(chosen)
            except CaptureError as error:
                values["trouble"] = str(error)
            else:
                if found is not None:
                    values |= {"seen_at": found.at, "baseline": found.baseline}
                    values |= night_values(found.progress, state.site)
        values["others"] = [(name, at) for name, at in baselines if name != chosen]
        return self._page("move.html", request, state, **values)

    def move_plan(self, request: Request) -> Response:
        state = self._state()
        chosen = _chosen(request, self._kept.baselines())
        found = None if chosen is None else self._kept.nights.plan(chosen)
        if found is None:
            return self.absent(request, "baseline")
        baseline, move = found
        return self._page("move_plan.html", request, state, chosen=chosen, baseline=baseline, move=move)

    def fresh(self, _: Request) -> Response:
        at = self._state().at
        age_s = None if at is None else max(0.0, (self._now() - at).total_seconds())
        return JSONResponse({"at": None if at is None else at.isoformat(), "age_s": age_s})

    def archive(self, request: Request) -> Response:
        certificates = self._kept.certificates()
        return self._page(
            "archive.html", request, self._state(), names=report_names(self._reports), certificates=certificates
        )

    def report(self, request: Request) -> Response:
        name = request.path_params["name"]
        content = read_report(self._reports, name)
        if content is None:
            return self.absent(request, "report")
        kind = "application/pdf" if name.endswith(".pdf") else "text/html; charset=utf-8"
        return Response(content, media_type=kind, headers={"content-security-policy": SELF_CONTAINED})

    def certificate(self, request: Request) -> Response:
        document = self._kept.certificate(request.path_params["key"])
        if document is None:
            return self.absent(request, "certificate")
        # Rarely asked for, and the checks are many modules: the daemon needn't hold them from its start.
        from netaudit.audit.acceptance.certificate import read_certificate  # noqa: PLC0415
        from netaudit.publish.certificate import render_certificate  # noqa: PLC0415

        try:
            certificate = read_certificate(document)
        except NetauditError:
            # Of a newer or older program: its text is there all the same.
            return PlainTextResponse(document)
        page = render_certificate(certificate, self._state().site)
        return HTMLResponse(page, headers={"content-security-policy": SELF_CONTAINED})

    def certificate_text(self, request: Request) -> Response:
        document = self._kept.certificate(request.path_params["key"])
        return self.absent(request, "certificate") if document is None else PlainTextResponse(document)

    def absent(self, request: Request, what: str = "page") -> Response:
        """Say that something is not there, on a page that leads on."""
        answer = self._page("absent.html", request, self._state(), what=what)
        answer.status_code = 404
        return answer

    def _open(self) -> tuple[FindingView, ...]:
        """Give what is open in the store now, and what it could not take yet."""
        kept = self._kept.open_findings()
        known = {finding.key for finding in kept}
        return (*kept, *(finding for finding in self._state().unkept if finding.key not in known))

    def _lasts(self, finding: FindingView) -> str:
        end = finding.closed_at or self._now()
        return span(max(0.0, (end - finding.opened_at).total_seconds()))

    def _moves(self) -> bool:
        """Say whether a move is to be found among the pages. Those that need nothing else of a store do without its word."""
        try:
            return any(self._now() - at < MOVE_SHOWN for _, at in self._kept.baselines())
        except StoreError:
            return False

    def _page(self, template: str, request: Request, state: PageState, **values: object) -> Response:
        age_s = (self._now() - state.at).total_seconds() if state.at is not None else 0.0
        header = state.site.site
        session: Session | None = request.scope[SESSION]
        frame = {
            "site": state.site,
            "header": header,
            "locale": header.locale,
            "root": root_of(request),
            "central": self._central,
            "here": f"/{request.url.path.removeprefix(root_of(request)).split('/')[1]}",
            "at": state.at,
            "moving": self._moves(),
            "stale": span(age_s) if age_s > self._stale_s else "",
            "form": session.form if session is not None else "",
            "can_log_in": self._access.token is not None,
        }
        return HTMLResponse(render(template, {**frame, **values}))


def as_asked(standing: Standing) -> Line:
    """Give a line with the larger of plan and observation as what is asked of it."""
    if standing.observed is None:
        return standing.line
    return replace(standing.line, planned=max(standing.line.planned, standing.observed.latest))


def _chosen(request: Request, baselines: Sequence[tuple[str, datetime]]) -> str | None:
    """Give the baseline that is asked for, else the latest; None when there is none such."""
    names = [name for name, _ in baselines]
    asked = request.query_params.get("from")
    if asked is None:
        return names[0] if names else None
    return asked if asked in names else None


def root_of(request: Request) -> str:
    """Give the path under which a site's pages stand: empty on its own box, `/site/7` beside others."""
    return str(request.scope.get("root_path", ""))


def _metrics(registry: CollectorRegistry, request: Request) -> Response:
    # Prometheus' own text or OpenMetrics, whichever the scraper asks for.
    encode, kind = choose_encoder(request.headers.get("accept", ""))
    return Response(encode(registry), headers={"content-type": kind})


async def tell_trouble(_: Request, error: Exception) -> Response:
    """Say in one line what is wrong; the other pages go on."""
    return PlainTextResponse(f"{error}\n", 503)


@cache
def _script() -> str:
    return resources.files("netaudit.publish").joinpath("fresh.js").read_text("utf-8")


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
