"""
The pages of many sites: a list of all, the one that needs somebody first on top, and below each its own pages.

All of it only shows: what a box has found belongs to the box. The app opens no socket.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, Router

from netaudit.capacity.ledger import gather
from netaudit.errors import NetauditError, StoreError
from netaudit.publish.actions import Gate
from netaudit.publish.entry import Access, Sessions
from netaudit.publish.fleet import folder_of, glance, read_site, say_all, shipped_state, worst_first
from netaudit.publish.guard import SESSION, Guard
from netaudit.publish.kept import Kept
from netaudit.publish.page import LOCAL, LONGEST_SEARCH, central_pages, look_routes, tell_trouble
from netaudit.publish.silence import SILENT_AFTER
from netaudit.publish.state import first_state
from netaudit.publish.template import render
from netaudit.publish.text import harmless

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from starlette.requests import Request
    from starlette.types import Receive, Scope, Send

    from netaudit.capacity.ledger import Ledger
    from netaudit.publish.fleet import Glance
    from netaudit.site.model import Site
    from netaudit.store.fleet import Fleet

log = logging.getLogger(__name__)
# A list with more rows is read by nobody; the search finds the others, and the worst are on top.
MOST_ROWS: Final = 500
# Shipments come each hour; a list or a site's state this old is not wrong yet, and many who look cost the database one
# question. No older, though nothing later was heard: a long shipment comes in parts, its samples after its words.
LIST_S: Final = 20.0
# Sites whose plan and state are held ready: with a ledger of some hundred lines each, tens of megabytes.
MOST_READY: Final = 32


class _Ready(NamedTuple):
    """A site's pages, and of what they were made: its plan and its hash, up to when its box was heard, and when it was read."""

    plan: str
    site: Site
    ledger: Ledger
    heard_at: datetime | None
    read_s: float
    pages: Router


def make_fleet_app(
    fleet: Fleet,
    *,
    reports: Path | None = None,
    hosts: Iterable[str] = (),
    access: Access = LOCAL,
    silent_after: timedelta = SILENT_AFTER,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    steady: Callable[[], float] = time.monotonic,
) -> Starlette:
    """
    Make the web app over all sites of a store.

    Args:      reports: where `netaudit report --all` writes, if anywhere; silent_after: a box that was not heard for longer
               is silent; the others as `make_app`.
    """
    sessions = Sessions(steady)
    pages = _Pages(fleet, reports, access, silent_after=silent_after, now=now, steady=steady)
    gate = Gate(access, sessions, steady, home="/")
    return Starlette(
        routes=[
            Route("/", pages.sites),
            Route("/login", pages.login),
            Route("/login", gate.login, methods=["POST"]),
            Route("/logout", gate.logout, methods=["POST"]),
            Mount("/site/{site}", app=pages.site),
            *look_routes(),
        ],
        middleware=[Middleware(Guard, hosts=tuple(hosts), access=access, sessions=sessions, steady=steady)],
        exception_handlers={NetauditError: tell_trouble},
    )


class _Pages:
    """The handlers; those that read run in worker threads."""

    def __init__(
        self,
        fleet: Fleet,
        reports: Path | None,
        access: Access,
        *,
        silent_after: timedelta,
        now: Callable[[], datetime],
        steady: Callable[[], float],
    ) -> None:
        self._fleet = fleet
        self._reports = reports
        self._access = access
        self._silent_after = silent_after
        self._now = now
        self._steady = steady
        self._lock = threading.Lock()
        self._listed: tuple[float, datetime, list[Glance]] | None = None
        self._ready: OrderedDict[str, _Ready] = OrderedDict()

    def sites(self, request: Request) -> Response:
        at, listed = self._list()
        search = harmless(request.query_params.get("search", ""), LONGEST_SEARCH)
        wanted = search.strip().lower()
        found = [one for one in listed if wanted in one.name.lower()]
        values = {
            "rows": found[:MOST_ROWS],
            "more": max(0, len(found) - MOST_ROWS),
            "total": len(listed),
            "search": search,
            "said": say_all(listed),
            "made_at": f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        }
        return self._page("fleet.html", request, values)

    def login(self, request: Request) -> Response:
        return self._page("fleet_login.html", request, {"wrong": "wrong" in request.query_params})

    async def site(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request on to the pages of its site."""
        key = scope["path_params"]["site"]
        try:
            pages = await run_in_threadpool(self._pages_of, key)
            answer = pages or PlainTextResponse("there is no such site\n", 404)
            await answer(scope, receive, send)
        except (NetauditError, HTTPException):
            raise
        except Exception as error:
            # A box may write what it likes into its rows. Where the fault is ours after all, the log shows the place.
            log.warning("site %s", key, exc_info=True)
            said = harmless(f"{type(error).__name__}: {error}")
            raise StoreError(
                f"site {key}: this page can't be made of what its box wrote ({said}); look at that box, and at the log here"
            ) from error

    def _list(self) -> tuple[datetime, list[Glance]]:
        # One at a time: who comes meanwhile waits for the same list.
        with self._lock:
            if self._listed is None or self._steady() - self._listed[0] > LIST_S:
                now = self._now()
                entries = (glance(one, now, self._silent_after) for one in self._fleet.news())
                self._listed = (self._steady(), now, worst_first(entries))
            return self._listed[1:]

    def _pages_of(self, key: str) -> Router | None:
        news = self._fleet.one(key)
        if news is None:
            return None
        store = self._fleet.store(key)
        plan = store.plan()
        heard_at, read_s = news.heard_at, self._steady()
        with self._lock:
            ready = self._ready.get(key)
        if ready is not None and plan is not None and ready.plan == plan.key:
            if ready.heard_at == heard_at and read_s - ready.read_s <= LIST_S:
                return ready.pages
            site, ledger = ready.site, ready.ledger
        else:
            try:
                site = read_site(plan, news.name)
            except StoreError as error:
                raise StoreError(f"{harmless(news.name)}: {error}") from error
            ledger = gather(site)
        state = first_state(site, ledger) if heard_at is None else shipped_state(site, ledger, store, heard_at)
        # The clock of a site stands where its box was heard last: who was there then is there.
        kept = Kept(store, site, lambda: heard_at or self._now())
        pages = central_pages(
            lambda: state,
            kept,
            reports=None if self._reports is None else self._reports / folder_of(key, news.name),
            access=self._access,
            now=self._now,
            stale_s=self._silent_after.total_seconds(),
        )
        with self._lock:
            self._ready[key] = _Ready(plan.key if plan else "", site, ledger, heard_at, read_s, pages)
            self._ready.move_to_end(key)
            while len(self._ready) > MOST_READY:
                self._ready.popitem(last=False)
        return pages

    def _page(self, template: str, request: Request, values: dict[str, object]) -> Response:
        session = request.scope[SESSION]
        frame = {
            "form": session.form if session is not None else "",
            "can_log_in": self._access.token is not None,
        }
        return HTMLResponse(render(template, {**frame, **values}))
