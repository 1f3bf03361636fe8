"""`netaudit store`: each task says what it did, in words or as one JSON document, and ends with the right status."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.cli import main
from netaudit.observe.observation import How, Naming, Sample, Sighting
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

MAC = "00:00:5e:00:53:01"


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Give a store with twelve days of one device, hour by hour."""
    path, now = tmp_path / "house.db", datetime.now(UTC)
    clock = [now - timedelta(days=12)]
    with Store.open(path, site="home", clock=lambda: clock[0]) as store:
        while clock[0] < now:
            clock[0] += timedelta(hours=1)
            store.write([Sample(clock[0], f"device:{MAC}", "rtt_s", 0.001), Naming(clock[0], MAC, "tv", How.MDNS)])
            store.write([Sighting(clock[0], "lan", MAC, "192.168.7.5", How.ARP)])
            store.flush(clock[0])
    return path


def test_check_backup_restore(house: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sound store is said to be; its backup can be put back; the former store is named."""
    assert main(["store", "check", str(house)]) == 0
    assert capsys.readouterr().out == f"{house}: sound\n"
    copy = tmp_path / "copy.db"
    assert main(["store", "backup", str(house), str(copy)]) == 0
    assert "the store of home" in capsys.readouterr().out
    assert main(["store", "restore", str(house), str(copy), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["former"].startswith(f"{house}.")
    house.chmod(0o644)
    assert main(["store", "check", str(house), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert (said["sound"], len(said["complaints"])) == (False, 1)


def test_prune_rolls_up_first(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Old samples go, their hours stay; a second call finds no more than what came of age since."""
    assert main(["store", "prune", str(house), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["rolled_up"] > 280
    assert 90 <= said["removed"]["samples"] <= 100
    assert main(["store", "prune", str(house), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["rolled_up"] == 0
    # The real clock goes on: one sample may have come of age between the two calls.
    assert sum(again["removed"].values()) <= 1


def counted(house: Path, table: str, capsys: pytest.CaptureFixture[str], *words: str) -> int:
    """Prune, and give how many rows of a table went."""
    assert main(["store", "prune", str(house), "--json", *words]) == 0
    removed: dict[str, int] = json.loads(capsys.readouterr().out)["removed"]
    return removed.get(table, 0)


def test_prune_keeps_what_the_plan_keeps(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As long as `[keeping]` of the latest plan says; shorter where the call says so; nothing goes by a plan of no sense."""
    now = datetime.now(UTC)

    def planned(text: str) -> None:
        with Store.open(house, site="home", clock=lambda: now) as store:
            store.save_plan(f'[site]\nname = "home"\n[segment.lan]\nnetwork = "192.168.7.0/24"\n{text}', now)

    planned("[keeping]\nraw = 11\n")
    assert main(["store", "prune", str(house), "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["removed"] == {}
    assert said.err.startswith(f"{house}: this program can't read the plan that was kept (keeping, raw: ")
    assert said.err.count("\n") == 1
    planned('[keeping]\nraw = "11 d"\n')
    assert 20 <= counted(house, "samples", capsys) <= 30
    assert 20 <= counted(house, "samples", capsys, "--raw", "10") <= 30
    planned('[keeping]\nraw = "20 d"\nhourly = "3 d"\n')
    assert 200 <= counted(house, "hourly", capsys) <= 220
    assert counted(house, "samples", capsys) == 0


@pytest.mark.parametrize("days", ["0", "-3", "2.5", "x", "36526", "99999999999999999999"])
def test_what_is_no_time_to_keep_is_refused(days: str, house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2 and what to write; a number that no calendar holds ends in no traceback."""
    with pytest.raises(SystemExit) as ended:
        main(["store", "prune", str(house), "--hourly", days])
    assert ended.value.code == 2
    assert f'"{days}": write whole days, from 1 to 36525' in capsys.readouterr().err


def test_forget_takes_any_spelling(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The device goes; a second time nothing is known of it."""
    assert main(["store", "forget", str(house), MAC.upper().replace(":", "-")]) == 0
    assert "devices: 1 removed" in capsys.readouterr().out
    assert main(["store", "forget", str(house), MAC]) == 0
    assert "nothing is known of it" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "gone.db"], "gone.db: there is no such file"),
        (["backup", "gone.db", "copy.db"], "gone.db: there is no such file"),
        (["prune", "gone.db"], "gone.db: there is no such file"),
        (["forget", "gone.db", MAC], "gone.db: there is no such file"),
        (["check", "postgresql://u@h/d"], "own tools"),
        (["forget", "postgresql://u@h/d", MAC], "which site?"),
        (["backup"], "see netaudit store backup --help"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is made where a name was mistyped."""
    monkeypatch.chdir(tmp_path)
    try:
        status = main(["store", *words])
    except SystemExit as end:
        status = int(str(end.code))
    assert status == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_what_to_do_about_a_store_that_is_none_is_said_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One complaint about a file of something else, in which a backup is spoken of once."""
    other = tmp_path / "site.toml"
    other.write_text("[site]\n" * 200)
    other.chmod(0o600)
    assert main(["store", "check", str(other)]) == 1
    said = capsys.readouterr().out
    assert said.count("\n") == 1
    assert said.count("put back a backup") == 1


def test_keeping_too_little_is_said(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Samples must live until their day is rolled up."""
    assert main(["store", "prune", str(house), "--raw", "1"]) == 2
    assert "keep 2 or more" in capsys.readouterr().err


@pytest.mark.parametrize("task", ["check", "backup", "restore", "prune", "forget", "ship"])
def test_help_fits_one_screen_and_ends_with_an_example(task: str, capsys: pytest.CaptureFixture[str]) -> None:
    """24 lines of 100 characters, the last one a call."""
    with pytest.raises(SystemExit) as end:
        main(["store", task, "--help"])
    assert end.value.code == 0
    lines = capsys.readouterr().out.rstrip().splitlines()
    assert len(lines) <= 24
    assert max(len(line) for line in lines) <= 100
    assert f"netaudit store {task} " in " ".join(lines[-2:])
