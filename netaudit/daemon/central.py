"""Serving the pages of many sites until told to end."""

from __future__ import annotations

import asyncio
import signal
from typing import TYPE_CHECKING

from netaudit.daemon.serve import Server

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import ASGIApp

    from netaudit.site.model import Serving


async def serve_central(app: ASGIApp, serving: Serving, ready: Callable[[str], None]) -> None:
    """
    Serve until SIGTERM or SIGINT; `ready` is told where, once it answers.

    Raises:    LookError: it can't be served there, or the certificate can't be used.
    """
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    server = Server(app, serving)
    server.start()
    ready(server.url)
    try:
        await stop.wait()
    finally:
        await server.stop()
