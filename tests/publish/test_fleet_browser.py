"""The pages of many sites in a real browser: on a phone and at a desk, in the light and in the dark."""

from __future__ import annotations

import asyncio
import shutil
import threading
from importlib import resources
from typing import TYPE_CHECKING, Literal

import pytest

from netaudit.daemon.serve import Server
from netaudit.publish.fleet import glance, render_sites, worst_first
from netaudit.publish.fleet_page import make_fleet_app
from netaudit.site.model import Serving
from netaudit.store.fleet import Fleet
from tests.publish.test_browser import ARGUMENTS, AXE_RULES, DESK, PHONE
from tests.store.fleet_samples import NOW, folder_of_three

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, ViewportSize

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra test)")
pytest.importorskip("axe_playwright_python", reason="axe-core is not installed (extra test)")

PATHS = ("/", "/?search=zzz", "/login", "/site/sons/", "/site/sons/findings", "/site/barn/devices", "/site/mill/networks",
         "/site/mill/ledger", "/site/mill/reports/", "/site/mill/drawing")  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Give a headless Chromium."""
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def fleet_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve three sites on a free port of loopback, in a thread; beside their stores lies the list as a file."""
    folder = folder_of_three(tmp_path_factory.mktemp("sites"))
    ready, ending = threading.Event(), threading.Event()
    ports: list[int] = []

    async def serve(fleet: Fleet) -> None:
        server = Server(make_fleet_app(fleet, now=lambda: NOW), Serving(port=0))
        server.start()
        ports.append(server.port)
        ready.set()
        await asyncio.to_thread(ending.wait)
        await server.stop()

    def run() -> None:
        with Fleet.open(str(folder), clock=lambda: NOW) as fleet:
            asyncio.run(serve(fleet))

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(30)
    yield f"http://127.0.0.1:{ports[0]}"
    ending.set()
    thread.join(30)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_shuts_people_out_or_needs_pushing_sideways(
    browser: Browser, fleet_url: str, scheme: Literal["light", "dark"], size: ViewportSize
) -> None:
    """axe-core finds no serious or critical fault (WCAG 2.2 A and AA), no page is wider than its screen, nothing is refused."""
    axe = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    with browser.new_context(color_scheme=scheme, viewport=size) as context:
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        for path in PATHS:
            page.goto(fleet_url + path)
            page.evaluate(axe)
            found = page.evaluate("rules => axe.run({runOnly: rules})", AXE_RULES)
            grave = [one["id"] for one in found["violations"] if one["impact"] in ("serious", "critical")]
            assert grave == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        assert said == []


def test_the_way_to_a_site_and_back_is_walked_by_keyboard(browser: Browser, fleet_url: str) -> None:
    """Search, the link of a site, its findings, and back to the list; the address stays below the site's own."""
    with browser.new_context(viewport=DESK) as context:
        page = context.new_page()
        page.goto(fleet_url)
        page.get_by_label("Name of a site").focus()
        page.keyboard.type("sons")
        page.keyboard.press("Enter")
        page.wait_for_url("**/?search=sons")
        page.get_by_role("link", name="Sons").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/site/sons/")
        page.get_by_role("link", name="Findings", exact=True).press("Enter")
        page.wait_for_url("**/site/sons/findings")
        assert page.get_by_role("button").count() == 0
        page.get_by_role("link", name="All sites").press("Enter")
        page.wait_for_url(f"{fleet_url}/")


def test_the_list_beside_the_reports_is_read_in_any_light(browser: Browser, tmp_path: Path) -> None:
    """The file has no serious fault either, on a phone and in the dark."""
    axe = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    with Fleet.open(str(folder_of_three(tmp_path)), clock=lambda: NOW) as fleet:
        rows = worst_first(glance(one, NOW) for one in fleet.news())
    (tmp_path / "sites.html").write_text(render_sites(rows, "2026-W10", NOW), "utf-8")
    with browser.new_context(color_scheme="dark", viewport=PHONE) as context:
        page = context.new_page()
        page.goto((tmp_path / "sites.html").as_uri())
        page.evaluate(axe)
        found = page.evaluate("rules => axe.run({runOnly: rules})", AXE_RULES)
        assert [one["id"] for one in found["violations"] if one["impact"] in ("serious", "critical")] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
