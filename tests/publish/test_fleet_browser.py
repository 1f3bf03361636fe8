"""The pages of many sites in a real browser: on a phone and at a desk, in the light and in the dark."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Literal

import pytest

from netaudit.publish.fleet import glance, render_sites, worst_first
from netaudit.publish.fleet_page import make_fleet_app
from netaudit.store.fleet import Fleet
from tests.publish.chromium import DESK, PHONE, assert_nobody_is_shut_out, served
from tests.store.fleet_samples import NOW, folder_of_three

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, ViewportSize
    from starlette.types import ASGIApp

PATHS = ("/", "/?search=zzz", "/login", "/site/sons/", "/site/sons/findings", "/site/barn/devices", "/site/mill/networks",
         "/site/mill/ledger", "/site/mill/reports/", "/site/mill/drawing")  # fmt: skip


@pytest.fixture(scope="module")
def fleet_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve three sites."""
    folder = folder_of_three(tmp_path_factory.mktemp("sites"))

    @contextmanager
    def opened() -> Iterator[ASGIApp]:
        with Fleet.open(str(folder), clock=lambda: NOW) as fleet:
            yield make_fleet_app(fleet, now=lambda: NOW)

    with served(opened) as url:
        yield url


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_shuts_people_out_or_needs_pushing_sideways(
    browser: Browser, fleet_url: str, scheme: Literal["light", "dark"], size: ViewportSize
) -> None:
    """axe-core finds no serious or critical fault (WCAG 2.2 A and AA), no page is wider than its screen, nothing is refused."""
    with browser.new_context(color_scheme=scheme, viewport=size) as context:
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        for path in PATHS:
            page.goto(fleet_url + path)
            assert_nobody_is_shut_out(page, path)
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
    with Fleet.open(str(folder_of_three(tmp_path)), clock=lambda: NOW) as fleet:
        rows = worst_first(glance(one, NOW) for one in fleet.news())
    (tmp_path / "sites.html").write_text(render_sites(rows, "2026-W10", NOW), "utf-8")
    with browser.new_context(color_scheme="dark", viewport=PHONE) as context:
        page = context.new_page()
        page.goto((tmp_path / "sites.html").as_uri())
        assert_nobody_is_shut_out(page, "sites.html")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
