"""The pages of many sites: all answer, each shows its own site, nothing can be changed, and nobody gets past the guard."""

from __future__ import annotations

import asyncio
import re
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from netaudit.publish.entry import Access
from netaudit.publish.fleet_page import LIST_S, MOST_ROWS, make_fleet_app
from netaudit.store.fleet import Fleet, News
from netaudit.store.store import Store
from tests.publish.samples import Page
from tests.store.fleet_samples import DEVICES, HOSTILE, LAST_HEARD, NOW, SILENT, SOUND, folder_of_three, plan_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from starlette.applications import Starlette

    from tests.publish.samples import Answer, Ask

TOKEN = "correct-horse-battery"  # noqa: S105 - of these tests
PATHS = ("", "ledger", "drawing", "devices", "devices/02:00:5e:00:00:01", "networks", "networks/lan", "findings",
         "move", "reports/")  # fmt: skip


@pytest.fixture
def stores(tmp_path: Path) -> Path:
    """Give a folder with three sites."""
    (tmp_path / "stores").mkdir()
    return folder_of_three(tmp_path / "stores")


@pytest.fixture
def fleet(stores: Path) -> Iterator[Fleet]:
    """Give the three sites for reading."""
    with Fleet.open(str(stores), clock=lambda: NOW) as opened:
        yield opened


@pytest.fixture
def app(fleet: Fleet, tmp_path: Path) -> Starlette:
    """Give the pages of three sites."""
    reports = tmp_path / "reports" / "mill"
    reports.mkdir(parents=True)
    (reports / "week-2026-W10.html").write_text("<!doctype html><p>the mill's week")
    return make_fleet_app(fleet, reports=tmp_path / "reports", now=lambda: NOW)


def get(ask: Ask, app: Starlette, path: str, **more: Any) -> Answer:
    async def one() -> Answer:
        return await ask(app, path, **more)

    return asyncio.run(one())


def text_of(answer: Answer) -> str:
    assert answer.status == 200, answer.body
    return Page(answer.body.decode()).text


def test_the_list_shows_the_silent_site_first_and_names_as_text(app: Starlette, ask: Ask) -> None:
    """Three sites, each with a link to its pages; the silent one on top with how long it is silent."""
    answer = get(ask, app, "/")
    page = answer.body.decode()
    links = re.findall(r'href="/site/([^/]+)/"', page)
    assert links == ["barn", "sons", "mill"]
    assert "<script>alert" not in page
    said = text_of(answer)
    assert HOSTILE in said
    assert "5 days ago" in said
    assert "Of 3 sites 1 is silent or can't be read, 1 needs somebody now." in said


def test_the_list_is_searched_by_name(app: Starlette, ask: Ask) -> None:
    """Only the sites that have it in their name are shown, and a search that is markup stays text."""
    assert re.findall(r'href="/site/([^/]+)/"', get(ask, app, "/?search=MIL").body.decode()) == ["mill"]
    answer = get(ask, app, "/?search=%3Cscript%3Ealert(9)")
    assert re.findall(r'href="/site/([^/]+)/"', answer.body.decode()) == ["sons"]
    assert "<script>alert" not in answer.body.decode()
    assert "No site has that" in text_of(get(ask, app, "/?search=zzz"))


def test_a_list_without_sites_says_so(tmp_path: Path, ask: Ask) -> None:
    """Nobody has searched: the table doesn't speak of a name."""
    with Fleet.open(str(tmp_path), clock=lambda: NOW) as none:
        said = text_of(get(ask, make_fleet_app(none, now=lambda: NOW), "/"))
    assert "There are no sites yet." in said
    assert "in its name" not in said


@pytest.mark.parametrize("key", ["mill", "sons", "barn"])
def test_each_site_has_its_pages_and_their_links_stay_there(app: Starlette, ask: Ask, key: str) -> None:
    """Every page answers and leads to pages of this site, to the list, or to what all share; all that it leads to is there."""
    led: set[str] = set()
    for path in PATHS:
        page = get(ask, app, f"/site/{key}/{path}")
        said = text_of(page)
        led |= {value for name, value in Page(page.body.decode()).attributes if name in ("href", "src") and value}
        assert "All sites" in said
        assert "As of what its box has shipped last" in said
        assert "Metrics" not in said
        assert page.headers["content-security-policy"].startswith("default-src 'none'")
        assert page.headers["cache-control"] == "no-store"
    inside = {link for link in led if link.startswith("/")}
    shared = {"/", "/favicon.svg", "/ledger.css", "/fresh.js"}
    assert inside - shared
    for link in inside - shared:
        assert link.startswith(f"/site/{key}/"), link
    for link in sorted(inside):
        assert get(ask, app, link).status in (200, 308), link


def test_a_site_is_shown_as_its_box_was_heard_last(app: Starlette, ask: Ask) -> None:
    """Who was there five days ago is shown as there, and the page says since when nothing was heard."""
    said = text_of(get(ask, app, "/site/barn/"))
    assert "which is 5 days ago" in said
    row = text_of(get(ask, app, "/site/barn/devices"))
    assert "here" in row
    for key, name in (("mill", SOUND), ("sons", HOSTILE), ("barn", SILENT)):
        assert f"{DEVICES[name]} device" in text_of(get(ask, app, f"/site/{key}/devices"))


def test_findings_can_be_read_and_not_changed(app: Starlette, ask: Ask) -> None:
    """There is no form, no way to post one, and the page says where it can be done."""
    answer = get(ask, app, "/site/sons/findings")
    assert "the box owns its findings" in text_of(answer)
    assert "<form" not in answer.body.decode()
    own = {"origin": "http://127.0.0.1:9817"}
    for path in ("/site/sons/findings/acknowledge", "/site/sons/findings", "/", "/site/sons/"):
        posted = get(ask, app, path, method="POST", form={"key": "a", "reason": "x"}, headers=own)
        assert posted.status in (404, 405), path


def test_reports_and_certificates_of_a_site_are_shown(app: Starlette, ask: Ask, fleet: Fleet) -> None:
    """A report in the site's own folder, another site's not; a certificate's text as it was kept."""
    assert get(ask, app, "/site/mill/reports/week-2026-W10.html").body.endswith(b"the mill's week")
    assert get(ask, app, "/site/sons/reports/week-2026-W10.html").status == 404
    assert get(ask, app, "/site/mill/reports").headers["location"] == "/site/mill/reports/"
    key = fleet.store("mill").certificates()[0].key
    answer = get(ask, app, f"/site/mill/certificates/{key}/text")
    assert answer.headers["content-type"].startswith("text/plain")


def test_what_a_site_does_not_have_leads_on(app: Starlette, ask: Ask) -> None:
    """Of a site that is there: a page, a device or a network that is not says so below its heading, with a way to its overview."""
    for path, what in (("none", "page"), ("devices/x", "device"), ("networks/none", "network")):
        answer = get(ask, app, f"/site/mill/{path}")
        assert answer.status == 404
        assert f"There is no such {what}." in answer.text
        assert '<a href="/site/mill/">To the overview</a>' in answer.text


def test_what_is_not_there_is_said_in_one_line(app: Starlette, ask: Ask) -> None:
    """No such site, page or way out of the folder: 404; a broken file: 503 and the reason."""
    for path in ("/site/none/", "/site/mill/none", "/site/../etc/", "/site/mill/reports/..%2f..%2fx.html", "/metrics"):
        assert get(ask, app, path).status == 404, path
    assert get(ask, app, "/site/mill").headers["location"].endswith("/site/mill/")


def test_a_site_without_a_plan_says_so_and_the_others_go_on(app: Starlette, ask: Ask, stores: Path) -> None:
    """It stands in the list; its pages answer 503 with what to do; the next shipment mends it."""
    with Store.open(stores / "fresh.db", site="Fresh", clock=lambda: NOW) as store:
        store.save_certificate("x", NOW)
    answer = get(ask, app, "/site/fresh/")
    assert answer.status == 503
    assert b"no plan is kept" in answer.body
    assert "Fresh" in text_of(get(ask, app, "/"))
    assert get(ask, app, "/site/mill/").status == 200
    with Store.open(stores / "fresh.db", site="Fresh", clock=lambda: NOW) as store:
        store.save_plan(plan_of("Fresh"), NOW)
    assert "Its box has shipped nothing yet" in text_of(get(ask, app, "/site/fresh/"))


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE devices SET first_at = 10000000000000",
        "UPDATE health SET since = 10000000000000",
        "UPDATE findings SET evidence = 'none'",
    ],
)
def test_a_box_that_writes_nonsense_spoils_its_own_pages_only(
    app: Starlette, ask: Ask, stores: Path, change: str
) -> None:
    """A page that can't be made of a site's rows says so in one line and names the site; the list and the others answer."""
    with closing(sqlite3.connect(stores / "sons.db")) as connection:
        connection.execute(change)
        connection.commit()
    answers = [get(ask, app, f"/site/sons/{path}") for path in PATHS]
    spoilt = [one.body.decode() for one in answers if one.status != 200]
    assert spoilt
    for one in spoilt:
        assert one.startswith("site sons: this page can't be made of what its box wrote")
        assert one.count("\n") == 1
    assert get(ask, app, "/").status == 200
    assert {get(ask, app, f"/site/mill/{path}").status for path in PATHS} == {200}


def test_no_site_is_shown_under_the_name_of_another(app: Starlette, ask: Ask, stores: Path) -> None:
    """A plan that a box kept under a name that is not its own is refused, as one that can't be read."""
    with Store.open(stores / "barn.db", site=SILENT, clock=lambda: NOW) as store:
        store.save_plan(plan_of(SOUND), NOW)
    answer = get(ask, app, "/site/barn/")
    assert answer.status == 503
    assert f"the plan that was kept is of {SOUND}" in answer.body.decode()
    assert get(ask, app, "/site/mill/").status == 200


def test_a_changed_plan_is_shown_at_once(app: Starlette, ask: Ask, stores: Path) -> None:
    """The pages that were held ready are not those of the plan before."""
    assert "workshop" not in text_of(get(ask, app, "/site/mill/networks"))
    changed = plan_of(SOUND).replace("<b>bold</b>", "workshop")
    with Store.open(stores / "mill.db", site=SOUND, clock=lambda: LAST_HEARD[SOUND]) as store:
        store.save_plan(changed, LAST_HEARD[SOUND])
    assert "workshop" in text_of(get(ask, app, "/site/mill/networks"))


def test_what_a_shipment_brings_while_somebody_looks_is_shown_soon(fleet: Fleet, ask: Ask, stores: Path) -> None:
    """A long shipment comes in parts: what came after the first look, and is no later than that part, is not left out."""
    seconds = [0.0]
    app = make_fleet_app(fleet, now=lambda: NOW, steady=lambda: seconds[0])
    assert "echo:lan" not in text_of(get(ask, app, "/site/sons/"))
    with closing(sqlite3.connect(stores / "sons.db")) as shipped:
        shipped.execute(
            "INSERT INTO health (site, source, since, until, good, reason, rev) "
            "SELECT site, 'echo:lan', since, until, 0, 'no answer', rev FROM health WHERE source = 'sweep:lan'"
        )
        shipped.commit()
    seconds[0] += LIST_S + 1
    assert "no answer" in text_of(get(ask, app, "/site/sons/"))


def test_the_guard_stands_before_all_of_it(fleet: Fleet, ask: Ask) -> None:
    """Another host name gets 421; with a token nothing is read without it; too many requests get 429."""
    seconds = [0.0]
    access = Access(TOKEN, reading=True)
    app = make_fleet_app(fleet, access=access, now=lambda: NOW, steady=lambda: seconds[0])
    assert get(ask, app, "/", host="rebound.example").status == 421
    for path in ("/", "/site/mill/", "/site/mill/drawing.svg"):
        assert get(ask, app, path).headers["location"] == "/login"
    own = {"origin": "http://127.0.0.1:9817"}
    wrong = get(ask, app, "/login", method="POST", form={"token": "x" * 20}, headers=own)
    assert wrong.headers["location"] == "/login?wrong"
    assert "not the token" in text_of(get(ask, app, "/login?wrong"))
    foreign = get(ask, app, "/login", method="POST", form={"token": TOKEN}, headers={"origin": "http://x.example"})
    assert foreign.status == 403
    opened = get(ask, app, "/login", method="POST", form={"token": TOKEN}, headers=own)
    assert opened.headers["location"] == "/"
    cookie = {"cookie": opened.headers["set-cookie"].partition(";")[0]}
    for path in ("/", "/site/sons/findings"):
        page = get(ask, app, path, headers=cookie)
        assert page.status == 200
        assert "Log out" in text_of(page)
        assert b"/findings/mute" not in page.body
    statuses = [get(ask, app, "/ledger.css").status for _ in range(200)]
    assert statuses[-1] == 429


class Many:
    """Ten thousand sites, and how often they were asked for."""

    def __init__(self) -> None:
        self.asked = 0

    def news(self) -> list[News]:
        """Give them all."""
        self.asked += 1
        return [News(str(n), f"site {n}", NOW, n) for n in range(10_000)]


def test_ten_thousand_sites_are_one_bounded_page(ask: Ask) -> None:
    """The worst are shown, the others counted and found by a search; who asks at once is given one reading."""
    seconds, many = [0.0], Many()
    app = make_fleet_app(many, now=lambda: NOW, steady=lambda: seconds[0])  # type: ignore[arg-type]
    page = get(ask, app, "/")
    assert page.body.count(b'href="/site/') == MOST_ROWS
    assert "10000 of 10000 sites; the first 500 are shown" in text_of(page)
    assert get(ask, app, "/?search=site+9999").body.count(b'href="/site/') == 1
    assert many.asked == 1
    seconds[0] += LIST_S + 1
    get(ask, app, "/")
    assert many.asked == 2
