"""The README's plan is one that can be typed, and does what stands beside it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from netaudit.cli import main

README = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")


@pytest.fixture
def plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the README's plan as a reader would type it."""
    monkeypatch.chdir(tmp_path)
    (written,) = re.findall(r"^```toml\n(.*?)^```", README, re.DOTALL | re.MULTILINE)
    path = Path("site.toml")
    path.write_text(written, encoding="utf-8")
    return path


def test_the_plan_has_the_fault_that_the_text_promises(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is sound; dimensioning says that the access point's port gives no power and what to add, with status 1."""
    assert main(["check", str(plan)]) == 0
    assert main(["dimension", str(plan)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "access point hall: takes class 4 from its port" in said
    assert "do: add a switch with such ports or an injector" in said
    assert "access point takes its\npower from a port" in README


def test_the_fault_that_the_text_shows_is_told_so(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The slip of two letters in the device that the text names is told with the line and the words that it shows."""
    (shown,) = re.findall(r"`(site\.toml:(\d+): device \"(\w+)\", cuont: [^`]*)`", README)
    text = plan.read_text("utf-8")
    head, table, rest = text.partition(f"[device.{shown[2]}]")
    plan.write_text(head + table + rest.replace("count", "cuont", 1), encoding="utf-8")
    assert main(["check", str(plan)]) == 2
    assert capsys.readouterr().err.startswith(shown[0])
