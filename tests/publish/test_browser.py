"""The pages in a real browser: whole without a script, usable by keyboard and screen reader, on a phone and in the dark."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING, Literal

import pytest
from prometheus_client import CollectorRegistry

from netaudit.publish.entry import Access
from netaudit.publish.kept import Kept
from netaudit.publish.page import make_app
from netaudit.publish.report import render_report
from netaudit.store.store import Store
from tests.publish.chromium import DESK, PHONE, assert_nobody_is_shut_out, served
from tests.publish.samples import HUB, NOW, STRANGER

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Dialog, Page, ViewportSize
    from starlette.types import ASGIApp

    from netaudit.publish.report_data import WeekReport
    from netaudit.publish.views import PageState

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra test)")

TOKEN = "correct-horse-battery"  # noqa: S105 - of these tests
PATHS = ("/", "/ledger", "/drawing", "/devices", f"/devices/{HUB}", f"/devices/{STRANGER}", "/networks", "/networks/family",
         "/findings", "/login", "/reports/", "/move", "/move/plan")  # fmt: skip


@pytest.fixture(scope="module")
def site_url(
    page_state: PageState, kept_file: Path, week: WeekReport, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """Serve the pages of a kept fortnight, a report among them."""
    folder = tmp_path_factory.mktemp("served")
    shutil.copy(kept_file, folder / "site.db")
    (folder / "week-2026-W10.html").write_text(render_report(week), "utf-8")

    @contextmanager
    def opened() -> Iterator[ASGIApp]:
        with Store.open(folder / "site.db", site=page_state.site.site.name, clock=lambda: NOW) as store:
            kept = Kept(store, page_state.site, lambda: NOW)
            yield make_app(
                lambda: page_state, kept, CollectorRegistry(), reports=folder, access=Access(TOKEN), now=lambda: NOW
            )

    with served(opened) as url:
        yield url


def logged_in(page: Page, url: str) -> None:
    """Log in by keyboard alone, as one without a mouse does."""
    page.goto(f"{url}/login")
    page.get_by_label("Token").focus()
    page.keyboard.type(TOKEN)
    page.keyboard.press("Enter")
    page.wait_for_url("**/findings")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_fault_that_shuts_people_out(
    browser: Browser, site_url: str, scheme: Literal["light", "dark"]
) -> None:
    """axe-core finds no serious or critical fault (WCAG 2.2 A and AA), logged in, in the light and in the dark."""
    with browser.new_context(color_scheme=scheme, viewport=DESK) as context:
        page = context.new_page()
        logged_in(page, site_url)
        for path in (*PATHS, "/reports/week-2026-W10.html"):
            if path.endswith(".html"):
                # The report's own policy runs nothing at all, axe included: it is looked at as a file.
                page.set_content(context.request.get(site_url + path).text())
            else:
                page.goto(site_url + path)
            assert_nobody_is_shut_out(page, path)


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_no_page_is_wider_than_its_window(browser: Browser, site_url: str, viewport: ViewportSize) -> None:
    """Only tables scroll sideways, within themselves; the page never does."""
    with browser.new_context(viewport=viewport) as context:
        page = context.new_page()
        for path in (*PATHS, "/reports/week-2026-W10.html"):
            page.goto(site_url + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"], path


def test_charts_and_the_drawing_can_be_read_on_a_telephone(browser: Browser, site_url: str) -> None:
    """Their letters are not below 8 px there (those of the figures' captions have 14), and figures stand in one column."""
    with browser.new_context(viewport=PHONE) as context:
        page = context.new_page()
        page.goto(f"{site_url}/networks/family")
        letters = page.locator("svg.chart text:visible").all()
        assert letters
        for text in letters:
            box = text.bounding_box()
            # A line of text is a little higher than its letters' size.
            assert box is not None
            assert box["height"] > 8
        page.goto(f"{site_url}/drawing")
        drawn = page.locator("figure img").bounding_box()
        assert drawn is not None
        assert drawn["width"] > 1.8 * PHONE["width"]
        page.goto(f"{site_url}/ledger")
        starts = page.evaluate(
            "[...document.querySelectorAll('td[data-column]')].map((cell) => { const range = document.createRange();"
            "range.selectNodeContents(cell); return Math.round(range.getBoundingClientRect().left); })"
        )
        assert len(starts) > 100
        assert len(set(starts)) == 1


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_whatever_takes_the_focus_is_seen_and_shows_it(browser: Browser, site_url: str, viewport: ViewportSize) -> None:
    """From key to key through the pages: each stop is on the screen, larger than a speck, not clipped away, with an outline."""
    stop = """() => {
      const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
      if (one === document.body) return null;
      const top = document.elementFromPoint(Math.max(1, box.left + 4), Math.max(1, box.top + 4));
      return [one.outerHTML.slice(0, 80), parseFloat(style.outlineWidth) > 0 && style.outlineStyle !== "none",
              box.height > 4 && one.contains(top)];
    }"""
    with browser.new_context(viewport=viewport) as context:
        page = context.new_page()
        logged_in(page, site_url)
        for path in ("/", "/devices", "/networks/family", "/findings", "/drawing", "/reports/"):
            page.goto(site_url + path)
            stops = []
            for _ in range(60):
                page.keyboard.press("Tab")
                if (found := page.evaluate(stop)) is None:
                    break
                stops.append(found)
            assert len(stops) > 8, path
            assert [what for what, outlined, seen in stops if not (outlined and seen)] == [], path


def test_pages_are_whole_without_a_script(browser: Browser, site_url: str) -> None:
    """With scripts switched off a device is searched, and a chart's values are there as titles and in a table."""
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{site_url}/devices")
        page.get_by_role("searchbox").fill("hub")
        page.get_by_role("button", name="Search").click()
        assert page.get_by_role("row").count() == 2
        page.get_by_role("link", name="hub").click()
        assert "ms" in (page.locator("svg.chart .dot").first.locator("xpath=../*[name()='title']").text_content() or "")
        assert page.get_by_role("table").count() >= 3


def test_nothing_is_refused_by_the_policy_nor_loaded_from_elsewhere(browser: Browser, site_url: str) -> None:
    """No page writes an error to the console (a refused style or script would), asks another host, or opens a dialogue."""
    said: list[str] = []
    asked: set[str] = set()

    def refuse(dialog: Dialog) -> None:
        said.append(dialog.message)
        dialog.dismiss()

    with browser.new_context() as context:
        page = context.new_page()
        page.on("console", lambda message: said.append(f"{page.url}: {message.text}"))
        page.on("pageerror", lambda error: said.append(f"{page.url}: {error}"))
        page.on("dialog", refuse)
        page.on("request", lambda request: asked.add(request.url.split("/")[2]))
        logged_in(page, site_url)
        for path in (*PATHS, "/drawing.svg", "/reports/week-2026-W10.html"):
            page.goto(site_url + path)
    assert said == []
    assert asked == {site_url.removeprefix("http://")}


def test_the_script_says_how_fresh_the_page_is(browser: Browser, site_url: str) -> None:
    """While the page shows the latest judgement it says so; when the box is silent it says that."""
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(site_url)
        playwright.expect(page.get_by_role("status")).to_have_text("This is the present state.")
        page.route("**/fresh", lambda route: route.abort())
        page.reload()
        playwright.expect(page.get_by_role("status")).to_have_text("The box does not answer at the moment.")
        newer = '{"at": "2026-03-09T12:09:00+00:00", "age_s": 1}'
        page.unroute("**/fresh")
        page.route("**/fresh", lambda route: route.fulfill(body=newer, content_type="application/json"))
        page.reload()
        playwright.expect(page.get_by_role("status")).to_contain_text("10 min older")
        page.unroute("**/fresh")
        page.route("**/fresh", lambda route: route.fulfill(json={"at": None, "age_s": None}))
        page.reload()
        playwright.expect(page.get_by_role("status")).to_contain_text("Not judged yet.")
        page.unroute("**/fresh")
        old = context.request.get(site_url).text().replace('<span id="fresh"', '<span id="fresh" data-stale')
        page.route(f"{site_url}/", lambda route: route.fulfill(body=old, content_type="text/html"))
        page.reload()
        playwright.expect(page.get_by_role("status")).to_have_text("Nothing newer was judged.")


def test_the_move_follows_by_itself_until_it_is_held_still(browser: Browser, site_url: str) -> None:
    """A newer judgement brings the newer move in place: what was open and had the focus still does; held, a link offers it."""
    with browser.new_context() as context:
        page = context.new_page()
        page.clock.install()
        page.goto(f"{site_url}/move")
        playwright.expect(page.get_by_role("status")).to_have_text("This page follows by itself.")
        page.locator("summary", has_text="May be away").press("Enter")
        whole = context.request.get(f"{site_url}/move").text()
        assert "1 of 24 is back" in whole
        at = page.locator("#fresh").get_attribute("data-at") or ""

        def judged(minute: int, sentence: str) -> None:
            newer = f"2026-03-09T12:{minute:02}:00+00:00"
            page.unroute_all()
            page.route("**/fresh", lambda route: route.fulfill(json={"at": newer, "age_s": 1}))
            said = whole.replace("1 of 24 is back", sentence).replace(at, newer)
            page.route("**/move", lambda route: route.fulfill(body=said, content_type="text/html"))
            page.clock.run_for(10_001)

        judged(1, "2 of 24 are back")
        playwright.expect(page.locator(".verdict h2")).to_contain_text("2 of 24 are back")
        assert page.locator("details[open] summary").text_content() == "May be away: 1 device"
        assert page.evaluate("document.activeElement.textContent") == "May be away: 1 device"
        page.get_by_role("button", name="Hold this page still").click()
        judged(2, "3 of 24 are back")
        playwright.expect(page.get_by_role("link", name="Show it.")).to_be_visible()
        playwright.expect(page.locator(".verdict h2")).to_contain_text("2 of 24 are back")
        page.get_by_role("button", name="Hold this page still").click()
        playwright.expect(page.locator(".verdict h2")).to_contain_text("3 of 24 are back")


def test_a_finding_is_acknowledged_by_keyboard(browser: Browser, site_url: str) -> None:
    """From the first key to the kept word without a mouse: skip link, login, details, form."""
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(site_url)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the content"
        logged_in(page, site_url)
        page.locator("summary").first.focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("a party")
        page.keyboard.press("Enter")
        page.wait_for_load_state()
        playwright.expect(page.get_by_text("acknowledged")).to_contain_text("a party")
        page.get_by_role("button", name="Log out").click()
        page.wait_for_url("**/login")
