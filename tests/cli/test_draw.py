from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from netaudit.cli import main

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def demo_plan() -> Iterator[Path]:
    """Give the demonstration plan as a file."""
    with resources.as_file(resources.files("netaudit.demo").joinpath("site.toml")) as path:
        yield path


def test_what_is_written_is_named(demo_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The drawing, its floors and both schedules are in the folder, and each is named on standard output."""
    out = tmp_path / "new" / "folder"
    assert main(["draw", str(demo_plan), "--out", str(out)]) == 0
    said = capsys.readouterr().out.split("\n")
    written = {path.name for path in out.iterdir()}
    assert {"site.svg", "floor-1.svg", "floor-2.svg", "floor-3.svg", "schedule.html", "schedule.csv"} <= written
    assert {Path(name).name for name in said if name and not name.startswith("left out")} == written
    assert (out / "schedule.csv").read_bytes().startswith(b"\xef\xbb\xbfdrop,label,")


def test_json_is_one_document(demo_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --json the names come as one JSON document."""
    assert main(["draw", str(demo_plan), "--out", str(tmp_path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert sorted(found) == ["left_out", "written"]
    assert all(Path(name).is_file() for name in found["written"])


def test_a_folder_that_can_not_be_written_is_one_line(
    demo_plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file in the way ends with status 2 and a line that says what to do."""
    (tmp_path / "taken").write_text("", "utf-8")
    assert main(["draw", str(demo_plan), "--out", str(tmp_path / "taken")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "name another folder with --out" in said.err


def test_a_faulty_plan_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A fault of the plan ends with status 2, its line, and no file."""
    bad = tmp_path / "bad.toml"
    bad.write_text("[site]\nname = 3\n", "utf-8")
    assert main(["draw", str(bad), "--out", str(tmp_path / "out")]) == 2
    assert "bad.toml:" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
