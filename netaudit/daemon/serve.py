"""The web server inside the daemon's loop, which leaves signals to the daemon and ends when told."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from typing import TYPE_CHECKING, Final

import uvicorn

from netaudit.errors import LookError
from netaudit.publish.entry import Access
from netaudit.site.ranges import is_loopback

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.types import ASGIApp

    from netaudit.site.model import Serving

# An open page that keeps its connection would hold up the daemon's end for as long as it likes.
LAST_WORDS_S: Final = 3


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


class Server:
    """One uvicorn server on a socket that is bound before it starts, so that a port in use is a clear error."""

    def __init__(self, app: ASGIApp, serving: Serving) -> None:
        host, port = serving.host, serving.port
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_STREAM)
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
