"""Plans, a judged state and a week for everything that is shown, and a way to ask an app without a socket."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta
from importlib import resources
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import pytest

from netaudit.audit.moving.baseline import write_baseline
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Flaw, Hazard
from netaudit.observe.observation import How, Naming, Sample, Sighting
from netaudit.publish.kept import Kept
from netaudit.publish.report_data import DelayPoint, DelaySeries, DeviceChange, PresencePoint, WeekReport
from netaudit.publish.views import FindingView, PageState, SegmentView, SourceView
from netaudit.site.load import parse_site
from netaudit.store.store import Store
from tests.publish.samples import (
    CERTIFICATE,
    EVIL,
    EVIL_NAME,
    GATEWAY,
    HUB,
    MONDAY,
    NOW,
    STRANGER,
    ZALGO,
    Answer,
    Ask,
    before_move,
    plan,
    standings_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from playwright.sync_api import Browser
    from starlette.types import ASGIApp, Message

    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

# It asks nobody anything, and starts in a container too.
BROWSER_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """
    Give a headless Chromium, for the tests of one module.

    Playwright's loop runs in the thread of the tests while it is there: no asynchronous test may run beside it.
    """
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra test)")
    pytest.importorskip("axe_playwright_python", reason="axe-core is not installed (extra test)")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=chromium, args=BROWSER_ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def demo_site() -> Site:
    """Give the demonstration plan."""
    return parse_site(resources.files("netaudit.demo").joinpath("site.toml").read_text("utf-8"))


@pytest.fixture(scope="session")
def demo_ledger(demo_site: Site) -> Ledger:
    """Give what that plan can carry."""
    return gather(demo_site)


@pytest.fixture(scope="session")
def large_site() -> Site:
    """Give 300 entries of devices, a ninth of them pairs, on 12 switches and 30 access points."""
    kinds = ("camera", "desktop", "desk_phone", "wired_television", "phone", "laptop", "plug", "light", "sensor")
    tables: list[str] = [f'[building.house{n}]\nlabel = "House {n}"\nfloors = 4' for n in range(3)]
    tables += [f'[closet.c{n}]\nbuilding = "house{n % 3}"\nfloor = {n // 3}' for n in range(12)]
    tables += [
        f'[room.r{n}]\nbuilding = "house{n % 3}"\ncloset = "c{n % 12}"\nlabel = "Room number {n}"' for n in range(40)
    ]
    for n in range(12):
        uplink = "router" if n == 0 else f"switch:sw{(n - 1) // 3}"
        tables.append(f'[switch.sw{n}]\ncloset = "c{n}"\nuplink = "{uplink}"\nports = 48\nuplink_medium = "fibre"')
    for n in range(30):
        tables.append(f'[access_point.ap{n}]\nat = "r{n}"\ndrop = "ad{n}"')
        tables.append(f'[drop.ad{n}]\nstarts = "c{n % 12}"\nends = "r{n}"')
    for n in range(300):
        room = n % 40
        wired = n % 9 < 4
        drop = f'\ndrop = "d{n}"\n[drop.d{n}]\nstarts = "c{room % 12}"\nends = "r{room}"' if wired else ""
        count = 2 if n % 9 == 3 else 1
        tables.append(f'[device.thing-{n}]\nkind = "{kinds[n % 9]}"\ncount = {count}\nat = "r{room}"{drop}')
    return plan("\n".join(tables), "A large site with a rather long name that somebody wrote down in one go")


@pytest.fixture(scope="session")
def hostile_site() -> Site:
    """Give a plan whose every label and name is somebody's attempt."""
    label = json.dumps(EVIL)
    heap = json.dumps(ZALGO)
    formula = json.dumps("=HYPERLINK(1)")
    name = json.dumps(EVIL_NAME)
    return plan(
        f"""label = {label}
[closet.{name}]
label = {label}
x = "1 m"
y = "1 m"
[room.hall]
label = {heap}
x = "0 m"
y = "0 m"
width = "5 m"
depth = "4 m"
[room.tight]
label = {label}
x = "5 m"
y = "0 m"
width = "0.5 m"
depth = "4 m"
[switch.{name}]
label = {label}
[access_point.{name}]
at = "hall"
label = {label}
[access_point.second]
at = "hall"
[drop.{name}]
starts = {name}
ends = "hall"
label = {formula}
feeds = "device:bell"
[device.bell]
kind = "camera"
at = "hall"
label = {label}
[recorder.{name}]
label = {label}
""",
        name="Hostile \\u202e<script>alert(2)</script>",
    )


@pytest.fixture(scope="session")
def page_state(demo_site: Site, demo_ledger: Ledger) -> PageState:
    """Give a state in which something was found, one source fails, and a stranger named a device."""
    return PageState(
        site=demo_site,
        at=NOW - timedelta(minutes=1),
        standings=standings_of(demo_ledger),
        hazards=(Hazard("copper", "drop:yard-wall", EVIL, "pull fibre", "a test"),),
        flaws=(Flaw("length", "drop:riser", "too long", "shorten it", "a test"),),
        findings=(
            FindingView("outgrown", "radio:hall/2.4", "too busy", "add an access point", MONDAY, None),
            FindingView("missing", f"device:{EVIL}", EVIL, EVIL, MONDAY - timedelta(days=2), None, quiet=True),
            FindingView("missing", "device:hub", "was gone", "", MONDAY, MONDAY + timedelta(hours=7)),
        ),
        sources=(SourceView("sweep", NOW, good=True), SourceView("snmp switch:bench", None, good=False, reason=EVIL)),
        segments=(SegmentView("family", 26, 20), SegmentView("plant", 2, None)),
        jobs={("missed", "sweep"): 2, ("ran", "sweep"): 200, ("failed", "report"): 1},
        jumps=3,
    )


@pytest.fixture(scope="session")
def week(page_state: PageState) -> WeekReport:
    """Give a week with a gap of six hours, hostile names and every section filled."""
    hours = [MONDAY + timedelta(hours=n) for n in range(168) if not 50 <= n < 56]
    hourly = tuple(DelayPoint(at, 360, n % 7, 0.002 + n % 5 / 1e3, 0.006 + n % 9 / 1e3) for n, at in enumerate(hours))
    daily = tuple(DelayPoint(MONDAY + timedelta(days=n), 8640, n, 0.003, 0.009) for n in range(7))
    return WeekReport(
        site=page_state.site,
        since=MONDAY,
        until=MONDAY + timedelta(days=7),
        made_at=NOW,
        standings=page_state.standings,
        hazards=page_state.hazards,
        flaws=page_state.flaws,
        findings=page_state.findings,
        segments=page_state.segments,
        delays=(DelaySeries("segment:family/gateway", hourly, daily), DelaySeries("device:store", (), ())),
        presence=tuple(
            PresencePoint(at, segment, 3 + n % 4) for n, at in enumerate(hours) for segment in ("family", "gadgets")
        ),
        changes=(
            DeviceChange("new", hours[3], EVIL, "02:00:5e:99:00:01", "visitors", EVIL),
            DeviceChange("missing", hours[9], "", "02:00:5e:99:00:02", "gadgets"),
            DeviceChange("back", hours[12], "hub", "02:00:5e:21:00:05", "gadgets"),
        ),
        sources=page_state.sources,
        cautions=(EVIL,),
    )


@pytest.fixture(scope="session")
def kept_file(demo_site: Site, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Keep two days: a planned hub, a stranger with a hostile name, a gateway, two findings, a certificate, a baseline."""
    path = tmp_path_factory.mktemp("kept") / "site.db"
    with Store.open(path, site=demo_site.site.name, clock=lambda: NOW) as store:
        hours = [NOW - timedelta(hours=n) for n in range(48, 0, -1)]
        gateway = str(demo_site.segment["family"].gateway or demo_site.segment["family"].network[1])
        for at in hours:
            for mac, address in ((HUB, "192.0.2.7"), (STRANGER, "192.0.2.8"), (GATEWAY, gateway)):
                store.write((Sighting(at, "family", mac, address, How.ARP),))
            for minute in range(0, 60, 10):
                lost = at.hour == 3 and minute == 0
                value = None if lost else 0.002 + minute / 1e5
                moment = at + timedelta(minutes=minute) - timedelta(hours=1)
                store.write(
                    Sample(moment, place, "rtt_s", value) for place in ("segment:family/gateway", f"device:{HUB}")
                )
        store.write((Naming(hours[0], HUB, "hub", How.DHCP), Naming(hours[0], STRANGER, EVIL, How.MDNS)))
        store.flush(NOW)
        store.rollup(NOW)
        for key, text in (("outgrown radio:hall/2.4", "too busy"), (f"unknown device:{STRANGER}", EVIL)):
            rule, _, place = key.partition(" ")
            evidence = {"cure": EVIL}
            store.save_finding(key=key, rule=rule, place=place, text=text, evidence=evidence, at=MONDAY)
        store.save_certificate(CERTIFICATE, NOW)
        store.save_baseline("old-router", write_baseline(before_move(demo_site)), NOW - timedelta(days=1))
    return path


@pytest.fixture
def kept(demo_site: Site, kept_file: Path, tmp_path: Path) -> Iterator[Kept]:
    """Give a reader of a copy of what was kept."""
    shutil.copy(kept_file, tmp_path / "site.db")
    with Store.open(tmp_path / "site.db", site=demo_site.site.name, clock=lambda: NOW) as store:
        yield Kept(store, demo_site, lambda: NOW)


@pytest.fixture(scope="session")
def ask() -> Ask:
    """Give a function that asks an ASGI app for one path, as a client on loopback would; no socket is opened."""

    async def one(
        app: ASGIApp,
        path: str,
        *,
        method: str = "GET",
        host: str = "127.0.0.1:9817",
        headers: Mapping[str, str] | None = None,
        form: Mapping[str, str] | None = None,
        client: str = "127.0.0.1",
    ) -> Answer:
        sent: list[Message] = []
        path, _, query = path.partition("?")
        body = urlencode(form or {}).encode()
        scope: dict[str, Any] = {
            "type": "http",
            "asgi": {"version": "3.0", "spec_version": "2.3"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "root_path": "",
            "query_string": query.encode(),
            "headers": [
                (b"host", host.encode("latin-1")),
                *((name.encode(), value.encode("latin-1")) for name, value in (headers or {}).items()),
            ],
            "client": (client, 40000),
            "server": ("127.0.0.1", 9817),
        }

        async def receive() -> Message:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Message) -> None:
            sent.append(message)

        await app(scope, receive, send)
        start = sent[0]
        answered = {name.decode(): value.decode() for name, value in start["headers"]}
        return Answer(start["status"], answered, b"".join(message.get("body", b"") for message in sent[1:]))

    return one
