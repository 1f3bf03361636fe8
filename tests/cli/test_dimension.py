"""The ledger on a terminal and as JSON: complete, within its width, with its arithmetic."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from netaudit.cli import main

DEMO = Path(__file__).resolve().parents[2] / "netaudit" / "demo" / "site.toml"


@pytest.fixture(autouse=True)
def _plain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")


def _said(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(["dimension", *words]) == status
    return capsys.readouterr().out


def _document(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(_said(capsys, *words, "--json", status=status))
    return document


def test_the_ledger_fits_100_columns_and_carries_no_escape_when_piped(capsys: pytest.CaptureFixture[str]) -> None:
    """Every line of the demo's ledger is at most 100 columns wide and plain."""
    said = _said(capsys, str(DEMO))
    assert max(map(len, said.splitlines())) <= 100
    assert "\x1b" not in said
    assert "What to do" in said


def test_every_line_carries_unit_source_and_inputs(capsys: pytest.CaptureFixture[str]) -> None:
    """No line without a unit, a basis, a reason for its ceiling and its arithmetic; every step names its source."""
    document = _document(capsys, str(DEMO))
    assert len(document["lines"]) > 60
    for line in document["lines"]:
        assert line["unit"], line["place"]
        assert line["basis"], line["place"]
        assert line["ceiling_reason"], line["place"]
        assert "inputs" in line
        assert line["steps"], (line["kind"], line["place"])
        assert all(step["source"] for step in line["steps"])


def test_what_to_do_about_crowded_air_is_said_of_the_radio(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Nine hundred telephones on one access point: the table has the channel's line too, the advice names the radio alone."""
    plan = tmp_path / "site.toml"
    plan.write_text(
        '[site]\nname = "x"\n[segment.a]\nnetwork = "10.0.0.0/16"\nssid = "x"\n[access_point.hall]\n'
        '[device.phones]\nkind = "phone"\ncount = 900\n'
    )
    table, _, advice = _said(capsys, str(plan), status=1).partition("What to do")
    assert re.search(r"channel \d+ at 5 GHz .* over", table)
    assert "hall, 5 GHz radio" in advice
    assert "channel" not in re.sub("free channel", "", advice)


def test_hazards_come_first(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """An always-on 24 V port that faces a camera is the first thing that is said, with its cure, and ends with 1."""
    plan = tmp_path / "site.toml"
    plan.write_text(
        '[site]\nname = "x"\n[segment.a]\nnetwork = "10.0.0.0/24"\n[switch.s]\nsupply = "60 W"\n'
        '[[switch.s.ports]]\ncount = 8\npower = "passive 24 V"\n[device.c]\nkind = "camera"\n'
    )
    said = _said(capsys, str(plan), status=1)
    assert said.lstrip().startswith("Hazards (")
    assert said.index("do: ") < said.index("Ledger of")


def test_a_plan_whose_only_fault_is_a_hazard_is_not_called_done(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """It ends with 1, and the last sentence sends back to the hazard instead of saying that there is nothing to do."""
    plan = tmp_path / "site.toml"
    plan.write_text(
        '[site]\nname = "x"\n[building.a]\n[building.b]\n[closet.c]\nbuilding = "a"\n[room.r]\nbuilding = "b"\n'
        '[segment.s]\nnetwork = "10.0.0.0/24"\n[switch.s]\nports = 8\n[drop.d]\nstarts = "c"\nends = "r"\n'
        'feeds = "device:p"\n[device.p]\nkind = "printer"\nat = "r"\ndrop = "d"\n'
    )
    said = _said(capsys, str(plan), status=1)
    assert "Nothing to do" not in said
    assert said.rstrip().endswith("Only the hazards above are to be mended.")


def test_what_if_prints_only_the_lines_that_change(capsys: pytest.CaptureFixture[str]) -> None:
    """Six cameras more change watts, ports, links, addresses and recording; they don't change a far closet's cable."""
    whole = _document(capsys, str(DEMO))
    changed = _document(capsys, str(DEMO), "--add", "6:camera@yard", status=1)
    assert 0 < len(changed["lines"]) < len(whole["lines"])
    before = {(line["kind"], line["place"]): line["planned"] for line in whole["lines"]}
    for line in changed["lines"]:
        assert line["planned"] != before.get((line["kind"], line["place"]))
    kinds = {line["kind"] for line in changed["lines"]}
    assert {"power", "ports", "powered_ports", "recording"} <= kinds


def test_what_if_leaves_the_file_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The plan's bytes are the same afterwards, and adding then removing says that nothing changes."""
    plan = tmp_path / "site.toml"
    plan.write_bytes(DEMO.read_bytes())
    said = _said(capsys, str(plan), "--without", "lights")
    assert plan.read_bytes() == DEMO.read_bytes()
    assert "Lines that change" in said


def test_explain_shows_each_step_with_its_source(capsys: pytest.CaptureFixture[str]) -> None:
    """The arithmetic of a place, step by step; a place that is none is one line naming those that are."""
    said = _said(capsys, str(DEMO), "--explain", "switch:pantry")
    assert "set aside by class" in said
    assert "IEEE 802.3" in said
    assert main(["dimension", str(DEMO), "--explain", "switch:nowhere"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "switch:pantry" in error


def test_a_place_that_is_only_named_is_answered_with_the_places_of_that_name(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A bare "pantry", or a kind that has no such place: the switch, the closet and what else bears the name, and no others."""
    for asked in ("pantry", "power:pantry"):
        assert main(["dimension", str(DEMO), "--explain", asked]) == 2
        said = capsys.readouterr().err.strip().partition("write one of ")[2].split(", ")
        assert said == ["backup:pantry", "closet:pantry", "link:switch/pantry", "switch:pantry"]


def test_a_plan_in_other_units_is_the_same_ledger(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Metres written as feet, gigabits as megabits, watts as kilowatts, days as hours: the same lines."""
    text = DEMO.read_text("utf-8")
    assert tomllib.loads(text)
    other = (
        text.replace('"14 m"', '"45.93175853018373 ft"')
        .replace('"1 Gb/s"', '"1000 Mb/s"')
        .replace('"190 W"', '"0.19 kW"')
        .replace('"21 d"', '"504 h"')
        .replace('"8 TB"', '"8000 GB"')
        .replace('"25 %"', "0.25")
    )
    assert other != text
    plan = tmp_path / "site.toml"
    plan.write_text(other)
    ours, theirs = _document(capsys, str(DEMO)), _document(capsys, str(plan))
    for one, two in zip(ours["lines"], theirs["lines"], strict=True):
        assert (one["kind"], one["place"], one["state"]) == (two["kind"], two["place"], two["state"])
        assert one["planned"] == pytest.approx(two["planned"], rel=1e-9)
        assert one["supply"] == pytest.approx(two["supply"], rel=1e-9)


def test_what_if_shows_no_row_whose_figures_stay(capsys: pytest.CaptureFixture[str]) -> None:
    """A change that no figure shows is none to a reader: no row has the same figure before and after and the same rest."""
    said = _said(capsys, str(DEMO), "--add", "2:tablet@study", status=0)
    rows = [
        re.split(r"\s{2,}", line.strip()) for line in said.splitlines() if re.search(r"\b(within|tight|over)\b", line)
    ]
    assert rows
    shown = {(line["kind"], line["place"]) for line in _document(capsys, str(DEMO), "--add", "2:tablet@study")["lines"]}
    assert len(rows) < len(shown)
    assert not [row for row in rows if row[-4] == row[-3] and row[0] == "Airtime"]


def test_a_line_that_only_growth_takes_over_says_so(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Tight now and over with growth: the row and the advice say the same, that it is over when grown."""
    plan = tmp_path / "site.toml"
    plan.write_text(
        '[site]\nname = "x"\n[segment.a]\nnetwork = "10.0.0.0/24"\n[switch.s]\nports = 10\n'
        '[device.d]\nkind = "printer"\ncount = 9\n'
    )
    said = _said(capsys, str(plan), status=0)
    assert re.search(r"switch s +10 +\S+ +9 +-?\S+ +▲ over, grown", said)
    assert "▲ over, grown  Ports, switch s" in said


def test_each_line_has_its_basis_below(capsys: pytest.CaptureFixture[str]) -> None:
    """No basis is cut: each stands below in full, under the number that is beside its lines."""
    said = _said(capsys, str(DEMO))
    flat = " ".join(said.split())
    for line in _document(capsys, str(DEMO))["lines"]:
        assert " ".join(line["basis"].split()) in flat
