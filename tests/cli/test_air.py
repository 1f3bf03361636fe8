"""The channel plan and the rooms, as the command shows them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from netaudit.cli import main

DEMO = Path(__file__).resolve().parents[2] / "netaudit" / "demo" / "site.toml"


def test_the_channel_plan_never_makes_the_busiest_radio_busier(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """All radios drawn on one channel: the plan spreads them and says what that gains; drawn well, nothing is gained."""
    crowded = tmp_path / "site.toml"
    crowded.write_text(
        DEMO.read_text("utf-8").replace("channel = 6", "channel = 1").replace("channel = 11", "channel = 1")
    )
    main(["dimension", str(crowded), "--air", "--json"])
    found = {one["band"]: one for one in json.loads(capsys.readouterr().out)["channels"]}
    assert found["2.4"]["gained"] > 0
    assert len(set(found["2.4"]["channels"].values())) == 3
    main(["dimension", str(DEMO), "--air", "--json"])
    drawn = {one["band"]: one for one in json.loads(capsys.readouterr().out)["channels"]}
    assert all(one["after"] <= one["before"] for one in drawn.values())
    assert found["2.4"]["after"] == pytest.approx(drawn["2.4"]["after"])


def test_every_room_has_its_best_access_point_and_a_second_choice(capsys: pytest.CaptureFixture[str]) -> None:
    """The kitchen of the demo hears the hall best; its second choice is weaker; the table fits 100 columns."""
    main(["dimension", str(DEMO), "--air", "--json"])
    rooms = json.loads(capsys.readouterr().out)["rooms"]
    kitchen = next(one for one in rooms if one["room"] == "kitchen" and one["band"] == "2.4")
    assert kitchen["best"]["access_point"] == "hall"
    assert kitchen["second"]["level_dbm"] <= kitchen["best"]["level_dbm"]
    main(["dimension", str(DEMO), "--air"])
    said = capsys.readouterr().out
    assert "What reaches each room" in said
    assert max(map(len, said.splitlines())) <= 100
