"""What a stranger on the network calls himself does no harm wherever it is shown: page, report, terminal, metrics, CSV."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from netaudit.audit.moving.baseline import write_baseline
from netaudit.cli import main
from netaudit.observe.observation import How, Naming, Sighting
from netaudit.publish.kept import Kept
from netaudit.publish.metrics import LedgerCollector
from netaudit.publish.page import make_app
from netaudit.publish.report import render_report
from netaudit.publish.report_data import DeviceChange, WeekReport
from netaudit.publish.schedule import schedule_csv
from netaudit.publish.views import FindingView, PageState, SegmentView, SourceView
from netaudit.site.load import load_site, parse_site
from netaudit.store.store import Store
from tests.publish.samples import MONDAY, NOW, Ask, Page, before_move

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.site.model import Site

MAC = "02:00:5e:99:00:01"
HOSTILE = {
    "markup": "<script>alert(1)</script><img src=x onerror=alert(1)>",
    "end of an attribute": '"\' onmouseover=alert(1) x="',
    "end of a style": "</style></title></textarea><svg onload=alert(1)>",
    "template": "{{ 7*191 }}{% raw %}${7*191}",
    # ECMA-48: colours, clearing the screen, setting the window's title, and the same by single C1 characters.
    "terminal": "\x1b[31mred\x1b[2J\x1b]0;title\x07\x9b31m\x9d0;t\x9c\x08\x08\x7f",
    "terminal markup": "[bold red]x[/bold red][link=http://192.0.2.1]y[/link]",
    "turned around": "photo\u202egnp.exe\u2066\u2067\u200f\u061c",
    "lines": 'a\nb\r\nnetaudit_hazards 99\n# HELP x\u2028\u2029\x85"} 1\\',
    "heaped marks": "z" + "\u0301\u0316\u0329" * 200,
    "formula": '=HYPERLINK("http://192.0.2.1")',
    "formula after a blank": "\t @SUM(1+1)*cmd|' /C calc'!A0",
    "nothing to see": "\u200b\ufeff\u00ad\u2060",
    "64 KB": "A" * 65536,
    "64 KB of marks": "\u0301" * 65536,
}
PLAIN = "kettle"
# Page and report have many places for one name; each is bounded, so together they stay far below one copy of 64 KB.
MOST_GROWTH = 40_000


@dataclass(frozen=True)
class Stage:
    """What the places need: a plan, a folder, a way to ask an app, and what was printed."""

    folder: Path
    ask: Ask
    printed: Callable[[], str]


def plan(name: str) -> str:
    """Give a plan in which everything that may have a label has this one."""
    said = json.dumps(name)
    return f"""[site]
name = "House"
[segment.lan]
network = "192.0.2.0/24"
label = {said}
[closet.c]
label = {said}
[room.r]
label = {said}
[switch.s]
ports = 8
label = {said}
[access_point.a]
at = "r"
label = {said}
[drop.d]
starts = "c"
ends = "r"
label = {said}
feeds = "access_point:a"
"""


def kept_store(stage: Stage, site: Site, name: str) -> Store:
    """Keep a device that says this name and a finding that repeats it."""
    store = Store.open(stage.folder / "site.db", site=site.site.name, clock=lambda: NOW)
    store.write(
        (Sighting(NOW - timedelta(hours=2), "lan", MAC, "192.0.2.9", How.ARP), Naming(NOW, MAC, name, How.MDNS))
    )
    store.flush(NOW)
    evidence = {"cure": name}
    store.save_finding(
        key="unknown x", rule="unknown", place=f"device:{name[:300]}", text=name, evidence=evidence, at=NOW
    )
    return store


def state_with(site: Site, name: str) -> PageState:
    """Give a state in which this name is wherever a stranger's words can be."""
    return PageState(
        site,
        NOW,
        (),
        findings=(FindingView(name, f"device:{name}", name, name, MONDAY, None),),
        sources=(SourceView(name, None, good=False, reason=name),),
        segments=(SegmentView("lan", 1, 1),),
        jobs={("ran", name): 1},
    )


async def on_page(stage: Stage, name: str) -> str:
    """Show it on every page that has strangers' words."""
    site = parse_site(plan(name))
    shown: list[str] = []
    with kept_store(stage, site, name) as store:
        app = make_app(
            lambda: state_with(site, name), Kept(store, site, lambda: NOW), CollectorRegistry(), now=lambda: NOW
        )
        store.save_baseline("old-router", write_baseline(before_move(site, name)), NOW)
        for path in ("/", "/ledger", "/devices", f"/devices/{MAC}", "/networks", "/networks/lan", "/findings", "/move",
                     "/move/plan"):  # fmt: skip
            got = await stage.ask(app, path)
            assert got.status == 200, path
            shown.append(got.text)
    return "".join(shown)


async def in_report(stage: Stage, name: str) -> str:
    """Show it in the weekly report."""
    del stage
    site = parse_site(plan(name))
    state = state_with(site, name)
    change = DeviceChange("new", NOW, name, MAC, "lan", name)
    return render_report(
        WeekReport(site, MONDAY, NOW, NOW, (), findings=state.findings, sources=state.sources, changes=(change,))
    )


async def on_terminal(stage: Stage, name: str) -> str:
    """Print it: the plan's own words, findings that were kept, the ledger."""
    (stage.folder / "site.toml").write_text(plan(name), "utf-8")
    with kept_store(stage, load_site(stage.folder / "site.toml"), name):
        pass
    for words in (("check",), ("dimension",), ("audit", "--store", str(stage.folder / "site.db"))):
        assert main([words[0], str(stage.folder / "site.toml"), *words[1:]]) in (0, 1)
    return stage.printed()


async def in_metrics(stage: Stage, name: str) -> str:
    """Expose it."""
    del stage
    registry = CollectorRegistry()
    state = state_with(parse_site(plan(name)), name)
    registry.register(LedgerCollector(lambda: state))
    return generate_latest(registry).decode()


async def in_csv(stage: Stage, name: str) -> str:
    """Write it into the cable schedule."""
    del stage
    return schedule_csv(parse_site(plan(name)))


def holds_html(text: str, plain: str) -> None:
    """No tag or attribute more than with a plain name; a bounded size."""
    read, usual = Page(text), Page(plain)
    # The store lets no name in that is longer than a DNS name: then there is a row less.
    assert not Counter(read.tags) - Counter(usual.tags)
    assert {name for name, _ in read.attributes} == {name for name, _ in usual.attributes}
    assert "1337" not in read.text
    assert len(text) < len(plain) + MOST_GROWTH


def holds_text(text: str, plain: str) -> None:
    """No more than a bounded number of lines and letters beyond those with a plain name."""
    assert len(text) < len(plain) + MOST_GROWTH
    assert "1337" not in text


def holds_metrics(text: str, plain: str) -> None:
    """The same series as with a plain name, read by the client library's own parser; what it says of hazards stays."""
    found, usual = (
        Counter(sample.name for family in text_string_to_metric_families(one) for sample in family.samples)
        for one in (text, plain)
    )
    assert found == usual
    assert "netaudit_hazards 0.0" in text.splitlines()
    assert len(text) < len(plain) + MOST_GROWTH


def holds_csv(text: str, plain: str) -> None:
    """As many rows and cells as with a plain name, and none that a spreadsheet takes for a formula."""
    rows, usual = (list(csv.reader(io.StringIO(one, newline=""))) for one in (text, plain))
    assert [len(row) for row in rows] == [len(row) for row in usual]
    assert not [cell for row in rows for cell in row if re.match(r"\s*[=+@|%-]", cell)]
    assert len(text) < len(plain) + MOST_GROWTH


Show = Callable[[Stage, str], Awaitable[str]]
PLACES: dict[str, tuple[Show, Callable[[str, str], None]]] = {
    "page": (on_page, holds_html),
    "report": (in_report, holds_html),
    "terminal": (on_terminal, holds_text),
    "metrics": (in_metrics, holds_metrics),
    "CSV": (in_csv, holds_csv),
}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("name", HOSTILE)
async def test_a_hostile_name_does_no_harm(
    place: str, name: str, ask: Ask, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No tag, handler, control or turning character, series, line or formula comes out that a plain name would not bring."""
    show, holds = PLACES[place]
    texts: list[str] = []
    for said in (HOSTILE[name], PLAIN):
        folder = tmp_path / str(len(texts))
        folder.mkdir()
        texts.append(await show(Stage(folder, ask, lambda: capsys.readouterr().out), said))
    assert PLAIN in texts[1]
    holds(*texts)
    for char in set(texts[0]) - set("\n\r"):
        category = unicodedata.category(char)
        assert category not in ("Cc", "Cs", "Zl", "Zp"), repr(char)
        assert category != "Cf" or char in "\u200c\u200d", repr(char)
    assert not re.search("[\u0300-\u036f]{3}", texts[0])
