"""
What stands before every page: only names that are ours, only those who may, not too fast, and headers that forbid the rest.

The Host check keeps a stranger's web page from reading this one through a name that it points at the box (DNS rebinding).
What changes something comes by POST from our own page: its Origin must be the host that was asked, and the form brings
the session's secret, which `actions.py` holds against it.
"""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse

from netaudit.publish.entry import Pace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from netaudit.publish.entry import Access, Session, Sessions

LOOPBACK: Final = ("localhost", "127.0.0.1", "[::1]")
_POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
# A drawing or a report brings its own style and nothing else; the sandbox takes whatever a forged file might try.
SELF_CONTAINED: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)
_HEADERS: Final = {
    "x-content-type-options": "nosniff",
    # "no-referrer" would make browsers send an Origin of "null" with our own forms (Fetch standard, 3.1).
    "referrer-policy": "same-origin",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
# One year, as is usual; without subdomains, which are not ours (RFC 6797).
_ONLY_TLS: Final = "max-age=31536000"
# A page is a handful of requests and a person opens a few a second; a scraper asks once in some seconds.
MOST_REQUESTS, REQUESTS_PER_S = 120.0, 20.0
# What one who is not logged in may see of a site whose reading needs the token: the form and its looks.
_OPEN_PATHS: Final = frozenset(("/login", "/ledger.css", "/favicon.svg", "/favicon.ico"))
SESSION: Final = "netaudit.session"


def cookie_name(access: Access) -> str:
    """Name the session's cookie; the prefix binds it to this host and to TLS (RFC 6265bis, 4.1.3.2)."""
    return "__Host-netaudit" if access.secure else "netaudit"


def host_name(written: str) -> str:
    """Take the port off a Host header: `box.lan:9817` -> `box.lan`, `[::1]:9817` -> `[::1]`; lower case."""
    host = written.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].rstrip(".")


class Guard:
    """ASGI middleware around the whole app."""

    def __init__(
        self, app: ASGIApp, *, hosts: Iterable[str], access: Access, sessions: Sessions, steady: Callable[[], float]
    ) -> None:
        self._app = app
        self._hosts = frozenset(host_name(_bracketed(host)) for host in (*LOOPBACK, *hosts))
        self._access = access
        self._sessions = sessions
        self._pace = Pace(MOST_REQUESTS, REQUESTS_PER_S, steady)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer what may not pass; add the headers to what does."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        session = self._session(headers)
        answer: ASGIApp = self._refusal(scope, headers, session) or self._app

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    sent[name] = value
                if self._access.secure:
                    sent["strict-transport-security"] = _ONLY_TLS
                sent.setdefault("content-security-policy", _POLICY)
            await send(message)

        await answer({**scope, SESSION: session}, receive, with_headers)

    def _refusal(self, scope: Scope, headers: Headers, session: Session | None) -> ASGIApp | None:
        if host_name(headers.get("host", "")) not in self._hosts:
            return PlainTextResponse("this name is not served here; use the host that [serving] names\n", 421)
        client = scope.get("client")
        if not self._pace.allows(client[0] if client else ""):
            return PlainTextResponse("too many requests; wait a moment\n", 429, {"retry-after": "10"})
        if scope["method"] not in ("GET", "HEAD") and not _is_own(headers):
            return PlainTextResponse("this did not come from a page of this box\n", 403)
        if not self._access.reading or session is not None or scope["path"] in _OPEN_PATHS or self._bears(headers):
            return None
        if scope["path"] == "/metrics":
            return PlainTextResponse("send the token as a bearer\n", 401, {"www-authenticate": "Bearer"})
        return RedirectResponse("/login", 303)

    def _session(self, headers: Headers) -> Session | None:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(cookie_name(self._access))
        except CookieError:
            return None
        return None if morsel is None else self._sessions.find(morsel.value)

    def _bears(self, headers: Headers) -> bool:
        """Say whether the token comes along, as a scraper of the metrics sends it (RFC 6750, 2.1)."""
        kind, _, given = headers.get("authorization", "").partition(" ")
        return kind.lower() == "bearer" and self._access.opens(given.strip())


def _is_own(headers: Headers) -> bool:
    """
    Say whether a change was asked for by a page of this very host.

    Browsers send Origin with each POST (Fetch standard, 3.1); a program that sends none has no cookies to be abused.
    """
    origin = headers.get("origin")
    if origin is None:
        return headers.get("sec-fetch-site", "same-origin") == "same-origin"
    return urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


def _bracketed(host: str) -> str:
    """Write an IPv6 address as a Host header does."""
    return f"[{host}]" if host.count(":") > 1 and not host.startswith("[") else host
