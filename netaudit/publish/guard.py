"""
What stands before every page: only names that are ours, and headers that forbid everything else.

The Host check keeps a stranger's web page from reading this one through a name that it points at the box (DNS rebinding).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from collections.abc import Iterable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK: Final = ("localhost", "127.0.0.1", "[::1]")
_POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A drawing or a report brings its own style and nothing else; the sandbox takes whatever a forged file might try.
SELF_CONTAINED: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)
_HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


def host_name(written: str) -> str:
    """Take the port off a Host header: `box.lan:9817` -> `box.lan`, `[::1]:9817` -> `[::1]`; lower case."""
    host = written.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].rstrip(".")


class Guard:
    """ASGI middleware around the whole app."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str]) -> None:
        self._app = app
        self._hosts = frozenset(host_name(_bracketed(host)) for host in (*LOOPBACK, *hosts))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer what may not pass; add the headers to what does."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer: ASGIApp = self._app
        if host_name(Headers(scope=scope).get("host", "")) not in self._hosts:
            answer = PlainTextResponse("this name is not served here; use the host that [serving] names\n", 421)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("content-security-policy", _POLICY)
            await send(message)

        await answer(scope, receive, with_headers)


def _bracketed(host: str) -> str:
    """Write an IPv6 address as a Host header does."""
    return f"[{host}]" if host.count(":") > 1 and not host.startswith("[") else host
