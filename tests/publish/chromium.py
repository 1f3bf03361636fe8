"""What the tests in a real browser share: screens, axe-core's verdict, and serving an app from a thread."""

from __future__ import annotations

import asyncio
import threading
from contextlib import contextmanager
from importlib import resources
from typing import TYPE_CHECKING

from netaudit.daemon.serve import Server
from netaudit.site.model import Serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from playwright.sync_api import Page, ViewportSize
    from starlette.types import ASGIApp

# A desk and a small telephone [px].
DESK: ViewportSize = {"width": 1280, "height": 900}
PHONE: ViewportSize = {"width": 360, "height": 740}
AXE_RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]


def assert_nobody_is_shut_out(page: Page, name: str) -> None:
    """axe-core finds no serious or critical fault on the page as it stands, and did look."""
    page.evaluate(resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8"))
    found = page.evaluate(f"axe.run({{runOnly: {AXE_RULES}, preload: false, resultTypes: ['violations']}})")
    grave = [
        (one["id"], one["nodes"][0]["html"][:200])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]
    assert not grave, name
    assert found["passes"], name


@contextmanager
def served(opened: Callable[[], AbstractContextManager[ASGIApp]]) -> Iterator[str]:
    """Serve an app on a free port of loopback, with the daemon's own server, in a thread that opens and closes the app."""
    ready, ending = threading.Event(), threading.Event()
    ports: list[int] = []

    async def serve(app: ASGIApp) -> None:
        server = Server(app, Serving(port=0))
        server.start()
        ports.append(server.port)
        ready.set()
        await asyncio.to_thread(ending.wait)
        await server.stop()

    def run() -> None:
        with opened() as app:
            asyncio.run(serve(app))

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(30)
    try:
        yield f"http://127.0.0.1:{ports[0]}"
    finally:
        ending.set()
        thread.join(30)
