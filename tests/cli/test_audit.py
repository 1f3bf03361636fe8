from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.seen import tolerance_of
from netaudit.cli.audit import add_parser
from netaudit.errors import NetauditError, StoreError
from netaudit.observe.observation import How, Sighting
from netaudit.site.load import load_site
from netaudit.store.store import Store
from tests.audit.scene import PLAN

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.site.model import Site


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    args = parser.parse_args(["audit", *words])
    status: int = args.func(args)
    return status


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """Give a plan with a store beside it, in which one known device is here."""
    path = tmp_path / "weir.toml"
    path.write_text(PLAN)
    with opened(load_site(path), path.with_suffix(".db")) as store:
        for minute in range(30, -1, -1):
            at = datetime.now(UTC) - timedelta(minutes=minute)
            store.write([Sighting(at, "guests", "00:00:5e:00:53:70", "203.0.113.9", How.ARP)])
    return path


def opened(site: Site, path: Path) -> Store:
    return Store.open(path, site=site.site.name, clock=lambda: datetime.now(UTC), tolerance=tolerance_of(site))


def test_without_findings_it_says_so_and_ends_well(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing over, nothing open: status 0, and every line of the ledger is in the table."""
    assert call(str(plan)) == 0
    said = capsys.readouterr().out
    assert "no open findings" in " ".join(said.split())
    assert "hall, 2.4 GHz radio" in said


def test_brackets_in_a_name_are_text(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A label such as "[/red] attic" stands in the table as it was written, and styles nothing."""
    named = PLAN.replace("[access_point.hall]", '[access_point.hall]\nlabel = "[/red] hall"', 1)
    assert named != PLAN
    plan.write_text(named)
    assert call(str(plan)) == 0
    assert "[/red] hall, 2.4 GHz radio" in capsys.readouterr().out


def test_an_open_finding_comes_first_with_what_to_do_and_ends_with_1(
    plan: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The gravest first; its text, its cure; what a stranger wrote can't steer the terminal."""
    now = datetime.now(UTC)
    with opened(load_site(plan), plan.with_suffix(".db")) as store:
        for rule, text in (("firmware", "later"), ("second_dhcp", "a \x1b[2Jsecond server")):
            evidence = {"cure": f"cure of {rule}"}
            store.save_finding(key=f"{rule} x", rule=rule, place="x", text=text, evidence=evidence, at=now)
    assert call(str(plan)) == 1
    said = capsys.readouterr().out
    assert said.index("second server") < said.index("do: cure of second_dhcp") < said.index("later")
    assert "\x1b" not in said
    assert "acknowledged" not in said


def test_the_document_holds_findings_concerns_and_lines(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One JSON document; the counted device stands at its line."""
    assert call(str(plan), "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert set(document) == {"site", "at", "last_seen", "findings", "concerns", "lines"}
    (line,) = [one for one in document["lines"] if (one["kind"], one["place"]) == ("device_count", "segment:guests")]
    assert (line["observed"]["latest"], line["observed_state"]) == (1, "within")


def test_an_empty_column_says_why(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where nobody looked in the last hour the reader is told when somebody last did; where somebody did, nothing is said."""
    assert call(str(plan)) == 0
    assert "Nothing was observed" not in capsys.readouterr().out
    kept = plan.with_suffix(".db")
    kept.unlink()
    with opened(load_site(plan), kept):
        pass
    assert call(str(plan)) == 0
    assert "Nothing was observed in the last hour (nobody was ever seen)" in capsys.readouterr().out
    then = datetime.now(UTC).replace(minute=30) - timedelta(hours=30)
    with opened(load_site(plan), kept) as store:
        store.write([Sighting(then, "guests", "00:00:5e:00:53:70", "203.0.113.9", How.ARP)])
    call(str(plan))
    assert f"(the last look is of {then:%Y-%m-%d %H:%M})" in capsys.readouterr().out


def test_a_person_may_acknowledge_and_mute_with_a_reason(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both are kept with their reason, the mute to the end of its last day in the site's zone."""
    now = datetime.now(UTC)
    site, path = load_site(plan), plan.with_suffix(".db")
    with opened(site, path) as store:
        store.save_finding(key="slow x", rule="slow", place="x", text="slow", evidence={}, at=now)
        store.save_finding(key="errors y", rule="errors", place="y", text="errors", evidence={}, at=now)
    assert call(str(plan), "--acknowledge", "slow x", "--reason", "a new cable is ordered") == 1
    last = (now + timedelta(days=2)).date()
    assert call(str(plan), "--mute", "errors y", "--until", str(last), "--reason", "the builders") == 1
    assert capsys.readouterr().out.count("(acknowledged or muted)") == 3
    with opened(site, path) as store:
        acknowledged, muted = store.open_findings()
    assert (acknowledged.acknowledged_at is not None, acknowledged.reason) == (True, "a new cable is ordered")
    assert muted.muted_until == datetime.combine(last + timedelta(days=1), time(), UTC)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--mute", "x", "--until", "2031-01-01"), "with a reason"),
        (("--mute", "x", "--reason", "r"), "write the last day"),
        (("--mute", "x", "--until", "soon", "--reason", "r"), "write the last day"),
        (("--mute", "x", "--until", "2020-01-01", "--reason", "r"), "is over"),
        (("--acknowledge", "nothing such", "--reason", "r"), "is not open"),
    ],
)
def test_a_word_that_makes_no_sense_is_refused(plan: Path, words: tuple[str, ...], said: str) -> None:
    """One line that says what to write, and nothing is changed."""
    with pytest.raises(NetauditError, match=said):
        call(str(plan), *words)


def test_without_a_store_it_says_what_to_do(tmp_path: Path) -> None:
    """No store beside the plan: one line that names the file and the command that makes it; none is made."""
    path = tmp_path / "weir.toml"
    path.write_text(PLAN)
    with pytest.raises(StoreError, match=r"weir\.db: is not there.*netaudit run"):
        call(str(path))
    assert not (tmp_path / "weir.db").exists()
