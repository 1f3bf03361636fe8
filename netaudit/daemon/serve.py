"""The web server inside the daemon's loop, which leaves signals to the daemon and ends when told."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import TYPE_CHECKING, Final

import uvicorn

from netaudit.errors import LookError

if TYPE_CHECKING:
    from starlette.types import ASGIApp

# An open page that keeps its connection would hold up the daemon's end for as long as it likes.
LAST_WORDS_S: Final = 3


class Server:
    """One uvicorn server on a socket that is bound before it starts, so that a port in use is a clear error."""

    def __init__(self, app: ASGIApp, host: str, port: int) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
        except OSError as error:
            self._socket.close()
            raise LookError(
                f"{host}:{port} can't be served on: {error.strerror or error}; write another [serving] host or port"
            ) from error
        self.port: int = self._socket.getsockname()[1]
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_graceful_shutdown=LAST_WORDS_S,
        )
        self._server = uvicorn.Server(config)
        # uvicorn would take SIGTERM for itself and raise it again after serving: code behind would never run.
        self._server.capture_signals = contextlib.nullcontext  # type: ignore[method-assign,assignment]
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Serve from now on, as a task of the running loop."""
        self._task = asyncio.create_task(self._server.serve(sockets=[self._socket]), name="serve")

    async def stop(self) -> None:
        """Let open requests end, for a bounded time, and close."""
        self._server.should_exit = True
        if self._task is not None:
            await self._task
        self._socket.close()
