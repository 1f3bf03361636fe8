from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics import parser as openmetrics

from netaudit.audit.acceptance.certificate import write_certificate
from netaudit.audit.standing import Standing
from netaudit.capacity.line import Flaw
from netaudit.errors import StoreError
from netaudit.publish.archive import read_report, report_names
from netaudit.publish.guard import host_name
from netaudit.publish.kept import DeviceList, Kept, Order
from netaudit.publish.metrics import LedgerCollector
from netaudit.publish.page import make_app
from netaudit.publish.views import FindingView, PageState
from netaudit.store.store import Store
from tests.audit.acceptance.house import as_planned, judged
from tests.publish.samples import CERTIFICATE, EVIL, GATEWAY, HUB, MONDAY, NOW, STRANGER, Ask, line, parsed

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp

    from netaudit.site.model import Site

PAGES = ("/", "/ledger", "/drawing", "/devices", f"/devices/{HUB}", f"/devices/{STRANGER}", "/networks", "/networks/family",
         "/findings", "/login", "/reports/", "/move", "/move/plan")  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with one report, one file that is none, and one link that leads out."""
    reports = tmp_path / "reports"
    reports.mkdir()
    (reports / "2026-W10.html").write_text("<p>week 10</p>", "utf-8")
    (reports / "notes.txt").write_text("private", "utf-8")
    (tmp_path / "secret.html").write_text("secret", "utf-8")
    (reports / "link.html").symlink_to(tmp_path / "secret.html")
    return reports


@pytest.fixture
def app(page_state: PageState, kept: Kept, folder: Path) -> ASGIApp:
    """Give the app over the full state."""
    registry = CollectorRegistry()
    registry.register(LedgerCollector(lambda: page_state))
    hosts = ("box.home.arpa", "fd00::7")
    return make_app(lambda: page_state, kept, registry, reports=folder, hosts=hosts, now=lambda: NOW)


@pytest.mark.parametrize("path", PAGES)
async def test_pages_are_whole_and_run_nothing(app: ASGIApp, ask: Ask, path: str) -> None:
    """Each page answers with no script, no inline style or handler, nothing from outside, and hostile names escaped."""
    got = await ask(app, path)
    assert got.status == 200
    assert got.headers["content-type"] == "text/html; charset=utf-8"
    text = got.text
    assert text.count("<script") == text.count('<script src="/fresh.js" defer></script>') == 1
    for part in ("<style", " style=", " onclick=", " onerror=alert(1)>", "javascript:", "src=http", 'href="http'):
        assert part not in text.replace("&lt;img src=http", ""), part
    assert "\u202e" not in text
    assert "</html>" in text
    policy = got.headers["content-security-policy"]
    assert policy.startswith(
        "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self';"
    )
    assert "unsafe" not in policy
    assert got.headers["x-content-type-options"] == "nosniff"
    assert got.headers["referrer-policy"] == "same-origin"


async def test_the_overview_is_for_the_household(app: ASGIApp, ask: Ask) -> None:
    """First the state in a sentence, then what to do, who is there, and what is looked at."""
    text = (await ask(app, "/")).text
    places = [text.index(said) for said in ("hurt someone", "What to do", "Who is there", "What is looked at")]
    assert places == sorted(places)
    assert "may have stopped looking" not in text


async def test_the_overview_says_what_changed_lately(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """What was opened within seven days is a change, what is older is none."""
    for now, said in ((NOW, "Nothing that was noticed."), (MONDAY + timedelta(days=6), "2 findings were opened.")):
        seen_then = Kept(kept._store, page_state.site, lambda now=now: now)  # type: ignore[misc]
        app = make_app(lambda: page_state, seen_then, CollectorRegistry(), now=lambda: NOW)
        changed = (await ask(app, "/")).text.partition("What changed in the last seven days")[2].partition("</div>")[0]
        assert said in changed


async def test_sources_that_answer_are_folded_away(app: ASGIApp, ask: Ask) -> None:
    """A householder sees which source fails and why; those that answer are counted, and their list opens on demand."""
    looked = (await ask(app, "/")).text.partition("What is looked at")[2].partition("<h2>The network")[0]
    seen, _, folded = looked.partition("<details>")
    assert "snmp switch:bench" in seen
    assert ">sweep<" not in seen
    assert "<summary>1 of 2 sources answer</summary>" in folded
    assert ">sweep<" in folded
    assert "snmp switch:bench" not in folded


async def test_messages_that_wait_are_told_with_their_reason(page_state: PageState, tmp_path: Path, ask: Ask) -> None:
    """How many, since when, and why: a channel that fails with what it said, one that gathers; nothing when nothing waits."""
    with Store.open(tmp_path / "a.db", site=page_state.site.site.name, clock=lambda: NOW) as store:
        kept = Kept(store, page_state.site, lambda: NOW)
        app = make_app(lambda: page_state, kept, CollectorRegistry(), now=lambda: NOW)
        assert "for the channel" not in (await ask(app, "/")).text
        for key, lane in (("a", "mail"), ("b", "mail"), ("c", "hook/digest")):
            store.put_letter(key=key, channel=lane, body="x", at=NOW - timedelta(hours=2))
        store.letter_failed(store.queued_letters("mail")[0].id, f"broken {EVIL}", NOW + timedelta(hours=1), NOW)
        text = (await ask(app, "/")).text
    assert re.search(
        r"2 messages wait for the channel <b>mail</b>, the oldest since 9 Mar 2026, 10:00 WET: .*broken", text
    )
    assert "1 message waits for the channel <b>hook</b>, since 9 Mar 2026, 10:00 WET: gathered" in text
    assert EVIL not in text


async def test_the_fullest_lines_come_first(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """Of many lines the overview names those of which the least share is left, the fullest on top."""
    planned = (1, 5, 2, 7.5, 3, 4, 6, 0.5)
    lines = tuple(Standing(line(planned=one, place=f"switch:uses-{one}"), None) for one in planned)
    app = make_app(lambda: replace(page_state, standings=lines), kept, CollectorRegistry(), now=lambda: NOW)
    text = (await ask(app, "/")).text.partition("Where it is fullest")[2].partition("</table>")[0]
    assert re.findall(r"uses-([\d.]+)<", text) == ["7.5", "6", "5", "4", "3", "2"]


async def test_a_part_of_a_port_is_no_headroom(app: ASGIApp, ask: Ask) -> None:
    """In the ledger only whole ports, addresses and devices are left."""
    text = (await ask(app, "/ledger")).text
    headrooms = re.findall(r'data-column="Headroom">([^<]*)<', text)
    assert len(headrooms) == 78
    counted = [one for one in headrooms if re.fullmatch(r"[\d.,\u2212]+", one)]
    assert len(counted) > 20
    assert not [one for one in counted if "." in one]


async def test_words_of_the_trade_are_explained_where_they_stand(app: ASGIApp, ask: Ask) -> None:
    """Airtime, lease, pool, hop and headroom have a sentence of their own above the figures that they name."""
    text = (await ask(app, "/ledger")).text.partition("What can run out")[2]
    head, _, lines = text.partition("<tbody>")
    assert "Headroom is" in head
    for heading, words in (
        ("Airtime", ("Airtime is",)),
        ("Addresses", ("lease", "pool")),
        ("Switches in a row", ("hop",)),
    ):
        said = lines.partition(f">{heading}</th>")[2].partition("</tbody>")[0]
        meant = re.search(r'class="meant"><td[^>]*>([^<]*)<', said)
        assert meant is not None, heading
        assert not said[: meant.start()].strip().count('scope="row"')
        assert all(word in meant[1] for word in words)


async def test_commands_in_a_cure_are_code(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """On overview, findings and ledger what stands between backticks is code; the backticks themselves are not shown."""
    cure = "see `netaudit dimension`"
    state = replace(
        page_state,
        unkept=(FindingView("r", "router", "a slip (`x y`)", cure, MONDAY, None, key="r router"),),
        flaws=(Flaw("k", "drop:riser", "too long", cure, "a test"),),
    )
    app = make_app(lambda: state, kept, CollectorRegistry(), now=lambda: NOW)
    for path, times in (("/", 2), ("/findings", 1), ("/ledger", 1)):
        text = (await ask(app, path)).text
        assert text.count("see <code>netaudit dimension</code>") == times, path
        assert "`" not in text.partition("<main")[2]
    assert "A slip (<code>x y</code>)" in (await ask(app, "/findings")).text


async def test_an_old_state_is_said_to_be_old(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """A page must not pass off what was true hours ago."""
    old = replace(page_state, at=NOW - timedelta(hours=5))
    app = make_app(lambda: old, kept, CollectorRegistry(), now=lambda: NOW)
    text = (await ask(app, "/")).text
    assert "which is 5 hours ago: <b>the box may have stopped looking</b>" in text
    verdict = text.partition('<section class="verdict">')[2].partition("</h2>")[0]
    assert "How it is now is not known." in verdict
    assert " data-stale>" in text
    assert "hurt someone" not in verdict


@pytest.mark.parametrize("path", [path for path in PAGES if not path.startswith(("/devices/", "/move/"))])
async def test_pages_answer_before_anything_is_known(demo_site: Site, tmp_path: Path, ask: Ask, path: str) -> None:
    """In the first minute, with nothing judged, an empty store and no folder of reports, every page is there."""
    with Store.open(tmp_path / "empty.db", site="x", clock=lambda: NOW) as store:
        kept = Kept(store, demo_site, lambda: NOW)
        app = make_app(lambda: PageState(demo_site, None, ()), kept, CollectorRegistry(), now=lambda: NOW)
        got = await ask(app, path)
    assert got.status == 200
    assert "Not judged yet" in got.text


async def test_metrics_drawing_style_and_icon_are_served(app: ASGIApp, ask: Ask) -> None:
    """Each has its media type; the drawing may bring its style and nothing else; no redirect before /metrics."""
    metrics = await ask(app, "/metrics")
    assert metrics.status == 200
    assert metrics.headers["content-type"].startswith("text/plain; version=")
    assert "netaudit_line_supply{" in metrics.text
    drawing = await ask(app, "/drawing.svg")
    assert drawing.headers["content-type"].startswith("image/svg+xml")
    assert drawing.headers["content-security-policy"].startswith("default-src 'none'; style-src 'unsafe-inline';")
    assert parsed(drawing.text).tag.endswith("svg")
    assert (await ask(app, "/ledger.css")).headers["content-type"].startswith("text/css")
    icon = await ask(app, "/favicon.svg")
    assert parsed(icon.text).tag.endswith("svg")
    assert (await ask(app, "/favicon.ico")).headers["location"] == "/favicon.svg"


async def test_reports_are_those_of_the_folder_and_nothing_else(app: ASGIApp, ask: Ask, folder: Path) -> None:
    """The archive lists and serves reports, sandboxed; other files, links and paths out of the folder don't exist."""
    listed = (await ask(app, "/reports/")).text
    assert "/reports/2026-W10.html" in listed
    assert "notes" not in listed
    assert "link" not in listed.partition("<main>")[2]
    got = await ask(app, "/reports/2026-W10.html")
    assert got.body == b"<p>week 10</p>"
    assert got.headers["content-security-policy"].endswith("sandbox")
    for name in ("notes.txt", "link.html", "../secret.html", "..%2fsecret.html", ".html", "2026-W11.html"):
        assert (await ask(app, f"/reports/{name}")).status == 404, name
        assert read_report(folder, name) is None
    assert report_names(folder / "absent") == ()


async def test_a_week_is_listed_once_with_its_paper(app: ASGIApp, ask: Ask, folder: Path) -> None:
    """The page of a week and its PDF stand in one row; a PDF that is left alone has a row of its own."""
    for name in ("week-2026-W09.html", "week-2026-W09.pdf", "week-2026-W08.pdf"):
        (folder / name).write_bytes(b"x")
    listed = (await ask(app, "/reports/")).text
    rows = re.findall(r'<li><a href="/reports/([^"]+)">([^<]+)</a>(.*)</li>', listed)
    assert [row[:2] for row in rows[:2]] == [
        ("week-2026-W09.html", "week-2026-W09"),
        ("week-2026-W08.pdf", "week-2026-W08.pdf"),
    ]
    assert '<a href="/reports/week-2026-W09.pdf">as PDF</a>' in rows[0][2]
    assert listed.count("W09.pdf") == 1


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE"])
async def test_only_reading_is_possible(app: ASGIApp, ask: Ask, method: str) -> None:
    """Whatever would change something is refused (RFC 9110, 405 with Allow)."""
    got = await ask(app, "/", method=method)
    assert got.status == 405
    assert set(got.headers["allow"].split(", ")) == {"GET", "HEAD"}


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:9817", "[::1]:9817", "BOX.home.arpa.", "[fd00::7]:80"])
async def test_names_of_the_box_are_served(app: ASGIApp, ask: Ask, host: str) -> None:
    """Loopback and the told names, with or without port, in any case."""
    assert (await ask(app, "/", host=host)).status == 200


@pytest.mark.parametrize(
    "host", ["", "evil.example", "localhost.evil.example", "192.0.2.1", "[fd00::8]", "127.0.0.1.x"]
)
async def test_other_names_are_refused(app: ASGIApp, ask: Ask, host: str) -> None:
    """A stranger's page can't read this one through a name of its own (RFC 9110, 421)."""
    got = await ask(app, "/", host=host)
    assert got.status == 421
    assert "Heron" not in got.text


def test_the_port_is_no_part_of_a_name() -> None:
    """RFC 3986 section 3.2: host, IPv6 in brackets, port after the last colon."""
    assert [host_name(one) for one in ("A.b:80", "[::1]:80", "[::1]", "a")] == ["a.b", "[::1]", "[::1]", "a"]


async def test_devices_can_be_searched_and_sorted(app: ASGIApp, ask: Ask) -> None:
    """A search names how many it found; a sort by address goes by its numbers; an unknown sort is by name."""
    found = (await ask(app, "/devices?search=HUB&sort=last")).text
    assert HUB in found
    assert STRANGER not in found
    assert "1 of 3 devices has" in found
    every = (await ask(app, "/devices?sort=address")).text
    assert every.index(GATEWAY) < every.index(HUB) < every.index(STRANGER)
    assert (await ask(app, "/devices?sort=%3Cscript%3E")).status == 200
    echoed = (await ask(app, "/devices?search=%22%3E%3Cscript%3E")).text
    assert "&#34;&gt;&lt;script&gt;" in echoed


@pytest.mark.parametrize(
    ("path", "what"),
    [
        ("/devices/02:00:00:00:00:99", "device"),
        ("/devices/x", "device"),
        ("/networks/none", "network"),
        ("/certificates/00", "certificate"),
        ("/none", "page"),
    ],
)
async def test_what_is_not_there_is_not_found(app: ASGIApp, ask: Ask, path: str, what: str) -> None:
    """A device, network, certificate or page that there isn't is a 404 that says so and leads on."""
    got = await ask(app, path)
    assert got.status == 404
    assert f"There is no such {what}." in got.text
    assert '<a href="/">To the overview</a>' in got.text


async def test_a_certificate_is_given_as_text(app: ASGIApp, ask: Ask) -> None:
    """A certificate is listed by its SHA-256 and comes as plain text, which no browser runs."""
    key = hashlib.sha256(CERTIFICATE.encode()).hexdigest()
    assert f'href="/certificates/{key}"' in (await ask(app, "/reports/")).text
    for path in (f"/certificates/{key}", f"/certificates/{key}/text"):
        got = await ask(app, path)
        assert got.text == CERTIFICATE
        assert got.headers["content-type"].startswith("text/plain")


async def test_a_certificate_that_can_be_read_is_a_page(app: ASGIApp, ask: Ask, kept: Kept) -> None:
    """A certificate of ours is shown with its verdict, sandboxed; its text stays to be had, for it is what was hashed."""
    text = write_certificate(judged(as_planned()))
    key = kept._store.save_certificate(text, NOW)
    got = await ask(app, f"/certificates/{key}")
    assert "Certificate of acceptance" in got.text
    assert got.headers["content-security-policy"].endswith("sandbox")
    assert (await ask(app, f"/certificates/{key}/text")).text == text


async def test_metrics_come_as_the_scraper_asks(app: ASGIApp, ask: Ask) -> None:
    """OpenMetrics for who accepts it, read by the client library's own strict parser."""
    got = await ask(app, "/metrics", headers={"accept": "application/openmetrics-text; version=1.0.0"})
    assert got.headers["content-type"].startswith("application/openmetrics-text")
    read = openmetrics.text_string_to_metric_families(got.text)  # type: ignore[no-untyped-call]  # the library's
    families = {family.name for family in read}
    assert {"netaudit_line_supply", "netaudit_line_state", "netaudit_findings"} <= families


async def test_a_page_says_how_fresh_it_is(app: ASGIApp, ask: Ask) -> None:
    """The script's question is answered with the time of the judgement and its age."""
    assert json.loads((await ask(app, "/fresh")).text) == {"at": "2026-03-09T11:59:00+00:00", "age_s": 60.0}
    assert (await ask(app, "/fresh.js")).headers["content-type"].startswith("text/javascript")


async def test_a_sick_store_is_said_in_one_line(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """When the store can't be read, its pages say so in one line, and what needs no store goes on."""

    class Sick(Kept):
        def devices(self, search: str = "", order: Order = "name") -> DeviceList:
            raise StoreError(f"{search}{order}: the disk is full")

    sick = Sick(kept._store, page_state.site, lambda: NOW)
    app = make_app(lambda: page_state, sick, CollectorRegistry(), now=lambda: NOW)
    got = await ask(app, "/devices")
    assert (got.status, got.text) == (503, "name: the disk is full\n")
    assert (await ask(app, "/ledger")).status == 200


async def test_a_store_that_tells_nothing_takes_only_its_own_pages(
    page_state: PageState, kept: Kept, ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no word from the store, pages that need none of it are whole, and the others say what the matter is."""

    def fails(_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(Store, "_reading", fails)
    app = make_app(lambda: page_state, kept, CollectorRegistry(), now=lambda: NOW)
    for path in ("/ledger", "/drawing", "/drawing.svg", "/login", "/metrics"):
        assert (await ask(app, path)).status == 200, path
    got = await ask(app, "/devices")
    assert (got.status, got.text) == (503, "the disk is full\n")
