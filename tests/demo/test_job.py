"""The demo: the whole job, again and again, in its own folder and nowhere else."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netaudit.demo import fortnight
from netaudit.demo.cast import make_cast
from netaudit.demo.job import MARK, run_job
from netaudit.errors import NetauditError
from netaudit.site.load import load_site

PLAN = Path(__file__).resolve().parents[2] / "netaudit" / "demo" / "site.toml"


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the demo once over a folder that an earlier demo left."""
    folder = tmp_path_factory.mktemp("demo") / "out"
    folder.mkdir()
    (folder / MARK).write_text("")
    (folder / "old.html").write_text("from before")
    steps: list[str] = []
    outcome = run_job(folder, lambda step, _: steps.append(step))
    assert all(path.is_file() for _, path in outcome.files)
    assert len(dict.fromkeys(steps)) >= 5
    return folder


def test_it_can_be_run_again(done: Path) -> None:
    """What an earlier run left is gone, what this one made is there."""
    assert not (done / "old.html").exists()
    assert (done / "report.html").stat().st_size > 10_000


def test_it_finds_what_was_staged_and_nothing_else(done: Path) -> None:
    """Each staged event of the fortnight is a finding once; a quiet device is none."""
    with closing(sqlite3.connect(done / "site.db")) as kept:
        rows = kept.execute("SELECT rule, place, closed_at FROM findings").fetchall()
    found = {(rule, place) for rule, place, _ in rows}
    assert len(found) == len(rows)
    # The staged events: see netaudit/demo/fortnight.py.
    assert {
        ("second_dhcp", "segment:family"),
        ("outgrown", "radio:hall/2.4"),
        ("unknown", "segment:gadgets"),
        ("missing", "device:camera-gate"),
    } <= found
    closed = {rule for rule, _, closed_at in rows if closed_at is not None}
    assert {"second_dhcp", "outgrown"} <= closed
    assert ("missing", "device:camera-gate", None) in rows
    # The lanterns' leases outlive the feast: their pool is a true consequence. The stranger is the last event.
    assert len(found) == 6


def test_the_census_of_its_captures_is_one_document(done: Path) -> None:
    """The captures are the demo site's: most devices heard are planned ones."""
    document = json.loads((done / "census.json").read_text())
    assert document["frames"] > 2000
    assert sum(bool(device["planned"]) for device in document["devices"]) > 10


def test_a_folder_that_is_not_its_own_is_left_alone(tmp_path: Path) -> None:
    """Somebody's files are refused with one line, and are still there."""
    (tmp_path / "letter.txt").write_text("dear")
    with pytest.raises(NetauditError, match="not a demo's"):
        run_job(tmp_path, lambda *_: None)
    assert (tmp_path / "letter.txt").read_text() == "dear"


def test_the_same_seed_plays_the_same_fortnight() -> None:
    """Two plays are equal, observation by observation (the first hundred moments are compared)."""
    site = load_site(PLAN)
    ends = datetime(2026, 3, 16, 5, tzinfo=UTC)
    plays = [fortnight.play(site, make_cast(site), ends=ends) for _ in range(2)]
    for _ in range(100):
        assert next(plays[0]) == next(plays[1])


def test_the_cast_is_the_plan() -> None:
    """As many bodies as devices, each MAC and each address once, each address in its segment."""
    site = load_site(PLAN)
    cast = make_cast(site)
    assert len(cast) == sum(device.count for device in site.device.values())
    assert len({actor.mac for actor in cast}) == len(cast)
    assert len({actor.address for actor in cast}) == len(cast)
    assert all(actor.address in site.segment[actor.segment].network for actor in cast)
