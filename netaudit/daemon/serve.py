"""The web server inside the daemon's loop, which leaves signals to the daemon and ends when told."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from typing import TYPE_CHECKING, Any, Final

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from netaudit.errors import LookError
from netaudit.publish.entry import Access
from netaudit.site.ranges import is_loopback

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.types import ASGIApp

    from netaudit.site.model import Serving

# An open page that keeps its connection would hold up the daemon's end for as long as it likes.
LAST_WORDS_S: Final = 3
# Who holds connections must not take the files that the watch needs: a process has 1,024 by default (getrlimit(2) on Debian),
# and a browser opens six to a host. common practice, no source
MOST_CONNECTIONS: Final = 200
# A browser asks at once. The longest answer, a report of 8 MB, takes a minute at 1 Mb/s.
ASK_WITHIN_S: Final = 10.0
ANSWER_WITHIN_S: Final = 120.0


def access_of(serving: Serving, environment: Mapping[str, str]) -> Access:
    """
    Say who may do what on the pages, with the token that the environment holds.

    A plan that is served beyond this box without a token or TLS does not get past its check.
    Raises:    LookError: the variable is empty or absent. OutOfRange: the token in it is too short.
    """
    token = environment.get(serving.token_env, "") if serving.token_env is not None else None
    if token is not None and not token:
        raise LookError(f"{serving.token_env} holds no token; put a long random text into that environment variable")
    return Access(
        token=token,
        reading=serving.behind_proxy or not is_loopback(serving.host),
        secure=serving.behind_proxy or serving.certificate is not None,
    )


class _Door(socket.socket):
    """A listening socket that turns away whoever comes while too many are within, also in the middle of a TLS handshake."""

    _within: tuple[socket.socket, ...] = ()

    def accept(self) -> tuple[socket.socket, Any]:
        """Let one in. Raises ConnectionAbortedError, which the loop takes for a visitor who left again: there is no room."""
        came, address = super().accept()
        self._within = tuple(one for one in self._within if one.fileno() >= 0)
        if len(self._within) >= MOST_CONNECTIONS:
            came.close()
            raise ConnectionAbortedError
        self._within = (*self._within, came)
        return came, address


class _Hurried(H11Protocol):
    """A connection that ends unless a whole request comes in time, and its answer is taken in time."""

    _due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin."""
        super().connection_made(transport)
        self._wait()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._wait_no_more()
        self._due = self.loop.call_later(ASK_WITHIN_S, self._look)

    def _wait_no_more(self) -> None:
        if self._due is not None:
            self._due.cancel()

    def _look(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()
        else:
            self._due = self.loop.call_later(ANSWER_WITHIN_S, self.transport.abort)


class Server:
    """One uvicorn server on a socket that is bound before it starts, so that a port in use is a clear error."""

    def __init__(self, app: ASGIApp, serving: Serving) -> None:
        host, port = serving.host, serving.port
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = _Door(family, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
            # Who comes before the loop has begun to answer waits and is not refused.
            self._socket.listen()
        except OSError as error:
            self._socket.close()
            raise LookError(
                f"{host}:{port} can't be served on: {error.strerror or error}; write another host or port, in [serving] of the "
                "plan or after --host and --port"
            ) from error
        self._serving = serving
        self.port: int = self._socket.getsockname()[1]
        config = uvicorn.Config(
            app,
            http=_Hurried,
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_graceful_shutdown=LAST_WORDS_S,
            # Whom a proxy speaks for is believed only from a proxy on this box, and only if the plan has one.
            proxy_headers=serving.behind_proxy,
            forwarded_allow_ips="127.0.0.1,::1",
            ssl_certfile=serving.certificate,
            ssl_keyfile=serving.key,
        )
        try:
            config.load()
        except (OSError, ssl.SSLError) as error:
            self._socket.close()
            raise LookError(
                f"certificate {serving.certificate}, key {serving.key}: TLS can't use them: "
                f"{error.strerror or error}; name two PEM files that this user may read"
            ) from error
        self._server = uvicorn.Server(config)
        # uvicorn would take SIGTERM for itself and raise it again after serving: code behind would never run.
        self._server.capture_signals = contextlib.nullcontext  # type: ignore[method-assign,assignment]
        self._task: asyncio.Task[None] | None = None

    @property
    def url(self) -> str:
        """Where the page is."""
        host = f"[{self._serving.host}]" if ":" in self._serving.host else self._serving.host
        return f"{'http' if self._serving.certificate is None else 'https'}://{host}:{self.port}/"

    def start(self) -> None:
        """Serve from now on, as a task of the running loop."""
        self._task = asyncio.create_task(self._server.serve(sockets=[self._socket]), name="serve")

    async def stop(self) -> None:
        """Let open requests end, for a bounded time, and close."""
        self._server.should_exit = True
        if self._task is not None:
            await self._task
        self._socket.close()
