"""All sites at one glance: what is worst stands first, and nothing that a site is called does any harm."""

from __future__ import annotations

import itertools
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.rules.table import RULES
from netaudit.capacity.line import State
from netaudit.cli import main
from netaudit.errors import StoreError
from netaudit.publish.fleet import busiest, folder_of, glance, read_site, render_sites, say_all, worst_first
from netaudit.publish.views import headroom
from netaudit.store.fleet import News
from netaudit.store.records import Document
from tests.publish.samples import EVIL, assert_self_contained, standings_of
from tests.store.fleet_samples import HOSTILE, NOW, SILENT, SOUND, fill, folder_of_three, plan_of

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

HEARD = NOW - timedelta(minutes=5)


def test_silence_comes_before_findings_and_the_longest_first() -> None:
    """Never heard and unreadable, then silent by its length, then open findings by weight, then names."""
    news = [
        News("1", "b well", HEARD),
        News("2", "sometime", HEARD, open={"unmeasured_line": 0, "firmware": 1}),
        News("3", "now", HEARD, open={"address_twice": 1}),
        News("4", "soon", HEARD, open={"outgrown": 9}),
        News("5", "silent a day", NOW - timedelta(days=1)),
        News("6", "silent a week", NOW - timedelta(days=7)),
        News("7", "never"),
        News("8", "a well", HEARD),
        News("9", "broken", trouble="is damaged"),
    ]
    order = [one.key for one in worst_first(glance(one, NOW) for one in news)]
    assert order[:2] in (["7", "9"], ["9", "7"])
    assert order[2:] == ["6", "5", "3", "4", "2", "8", "1"]
    for shuffled in itertools.islice(itertools.permutations(news), 50):
        assert [one.key for one in worst_first(glance(one, NOW) for one in shuffled)] == order


def test_each_rule_counts_under_its_own_weight() -> None:
    """As many findings as were open are counted, each once; one of a rule that nobody knows counts as now."""
    for rule in RULES:
        one = glance(News("1", "x", HEARD, open={rule.key: 2}), NOW)
        assert getattr(one, rule.weight.value) == 2
        assert one.now + one.soon + one.sometime == 2
    assert glance(News("1", "x", HEARD, open={"rule_of_next_year": 1}), NOW).now == 1


def test_a_box_is_silent_only_after_the_time_that_was_asked_for() -> None:
    """At the limit it is not yet, a second later it is; with a longer patience it is not."""
    limit = timedelta(hours=3)
    assert glance(News("1", "x", NOW - limit), NOW).silent == ""
    late = News("1", "x", NOW - limit - timedelta(seconds=1))
    assert (glance(late, NOW).word, glance(late, NOW).silent) == ("silent", "3 hours")
    assert glance(late, NOW, timedelta(hours=4)).word == "nothing found"
    # Its clock is ahead of ours: it was heard, and just now.
    assert glance(News("1", "x", NOW + timedelta(minutes=9)), NOW).silent == ""


def test_one_sentence_says_how_all_are() -> None:
    """It counts each site once and says nothing is open only where nothing is."""
    well, now = News("1", "a", HEARD), News("2", "b", HEARD, open={"address_twice": 1})
    assert say_all([]) == (State.UNMEASURED, "There are no sites yet.")
    assert say_all([glance(well, NOW)]) == (State.WITHIN, "Nothing is open on the one site.")
    listed = [glance(one, NOW) for one in (well, now, replace(now, key="3"), News("4", "c"))]
    assert say_all(listed) == (State.OVER, "Of 4 sites 1 is silent or can't be read, 2 need somebody now.")


def test_the_busiest_line_is_the_one_with_the_least_left(demo_site: Site, demo_ledger: Ledger) -> None:
    """No line with an end has a smaller share of its usable supply left."""
    standings = standings_of(demo_ledger)
    found = busiest(standings, demo_site)
    assert found is not None
    left = [headroom(one) / one.line.usable for one in standings if 0 < one.line.usable < float("inf")]
    assert 1 - found.share == pytest.approx(min(left))
    assert busiest((), demo_site) is None


@pytest.mark.parametrize("name", ["../../etc", EVIL, "", "…", "a" * 400, "Mühle am Bach", "CON", ".hidden", "x\0y"])
def test_no_name_leads_out_of_the_folder(name: str) -> None:
    """Whatever a site is called, its folder is one plain name that ends with its key."""
    folder = folder_of("17", name)
    assert folder.isascii()
    assert folder.replace("-", "").isalnum()
    assert folder.endswith("17")
    assert len(folder) <= 43


def test_the_list_is_a_file_that_loads_and_runs_nothing() -> None:
    """With a hostile name and a hostile reason it is well formed, has no script, and shows the name as text."""
    rows = [glance(one, NOW) for one in (News("1", HOSTILE, HEARD), News("2", EVIL, trouble=EVIL))]
    assert HOSTILE in assert_self_contained(render_sites(rows, "2026-W10", NOW)).text


def test_every_site_gets_its_report_and_one_trouble_stops_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of five files three have reports; one without a plan and one that is none are listed with why; the status is 1."""
    stores = tmp_path / "stores"
    stores.mkdir()
    folder_of_three(stores)
    fill(stores / "bare.db", SOUND, plan="")
    (stores / "noise.db").write_bytes(b"noise" * 999)
    call = ["report", "--all", "--store", str(stores), "--out", str(tmp_path / "out"), "--week", "2026-W11"]
    assert main([*call, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    by_key = {one["key"]: one for one in said["sites"]}
    assert set(by_key) == {"barn", "bare", "mill", "noise", "sons"}
    assert {key for key, one in by_key.items() if one["trouble"]} == {"bare", "noise"}
    assert "no plan is kept" in by_key["bare"]["trouble"]
    for key in ("barn", "mill", "sons"):
        page = (tmp_path / "out" / by_key[key]["report"]).read_text("utf-8")
        assert_self_contained(page)
        assert by_key[key]["sentence"].removeprefix("When it was heard last: ")[1:] in page
    assert by_key["sons"]["now"] == 1
    listed = (tmp_path / "out" / "sites-2026-W11.html").read_text("utf-8")
    assert by_key["sons"]["report"] == "sons/week-2026-W11.html"
    assert 'href="sons/week-2026-W11.html"' in listed
    for name in ("noise", SILENT):
        assert name in listed


def test_a_box_that_wrote_nonsense_takes_no_report_from_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows that no program of ours writes cost that site its report, and the list says so; the status is 1."""
    stores = tmp_path / "stores"
    stores.mkdir()
    folder_of_three(stores)
    with closing(sqlite3.connect(stores / "sons.db")) as spoilt:
        spoilt.execute("UPDATE findings SET evidence = 'no JSON'")
        spoilt.commit()
    call = ["report", "--all", "--store", str(stores), "--out", str(tmp_path / "out"), "--week", "2026-W11"]
    assert main([*call, "--json"]) == 1
    by_key = {one["key"]: one for one in json.loads(capsys.readouterr().out)["sites"]}
    assert {key for key, one in by_key.items() if one["report"]} == {"barn", "mill"}
    assert "can't be made of what its box wrote" in by_key["sons"]["trouble"]


def test_reports_of_sound_sites_alone_end_well(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With three sites that can be read the status is 0, and each line says what was written."""
    call = ["report", "--all", "--store", str(folder_of_three(tmp_path)), "--out", str(tmp_path / "out")]
    assert main([*call, "--week", "2026-W11", "--silent-after", "9999999"]) == 0
    assert capsys.readouterr().out.count("wrote ") == 4


@pytest.mark.parametrize(
    "words",
    [
        ["report"],
        ["report", "--all"],
        ["report", "site.toml", "--all", "--store", "x"],
        ["report", "--all", "--store", "nowhere.db"],
        ["report", "--all", "--store", ".", "--silent-after", "0"],
        ["report", "--all", "--store", ".", "--silent-after", "1e300"],
        ["report", "--all", "--store", ".", "--week", "2026-W99"],
        ["report", "--all", "--store", ".", "--week", "2199-W01"],
    ],
)
def test_a_wrong_call_ends_in_one_line(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, one line on standard error, and nothing written."""
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_plan_that_can_not_be_read_says_where() -> None:
    """The reason has the line of the plan that was kept."""
    with pytest.raises(StoreError, match="no plan is kept"):
        read_site(None, SOUND)
    broken = plan_of(SOUND).replace("192.0.2.0/24", "192.0.2.0/99")
    with pytest.raises(StoreError, match=r"the plan that was kept:6: .*192\.0\.2\.0/99"):
        read_site(Document("x", NOW, broken), SOUND)
    assert read_site(Document("x", NOW, plan_of(SOUND)), SOUND).site.name == SOUND
