"""`netaudit choose` and `netaudit draft` as a person calls them: status, width, JSON, files that the other commands take."""

from __future__ import annotations

import json
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from netaudit.cli import main
from netaudit.site.write import plan_text
from tests.capacity.free_rooms import demo_unhung

DEMO = Path(__file__).resolve().parents[2] / "netaudit" / "demo"
CALL = ("choose", str(DEMO / "site.toml"), str(DEMO / "equipment.toml"))


def test_options_fit_the_page_and_say_what_a_step_buys(capsys: pytest.CaptureFixture[str]) -> None:
    """At most 80 columns, no colour in a pipe, each step explained in at most ten lines and nothing cut off."""
    assert main([*CALL, "--as-drawn"]) == 0
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 80
    assert "\x1b" not in said
    assert "…" not in said
    steps = said[said.index("\ntoday -> ") + 1 :].splitlines()
    heads = [number for number, line in enumerate(steps) if not line.startswith(" ")]
    assert all(" -> " in steps[number] and " EUR: " in steps[number] for number in heads)
    assert all(after - before <= 10 for before, after in pairwise([*heads, len(steps)]))
    assert "as drawn" in said


def test_rooms_are_named_where_the_plan_hangs_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three rooms and no access point: each option says how many hang and where, and the written plan has no line over."""
    plan, written = tmp_path / "plan.toml", tmp_path / "written.toml"
    rooms = "".join(
        f'[room.room-{n}]\nx = "{6 * n} m"\ny = "0 m"\nwidth = "6 m"\ndepth = "5 m"\n'
        f'[device.phones-{n}]\nkind = "phone"\ncount = 4\nat = "room-{n}"\n'
        for n in range(3)
    )
    plan.write_text(f'[site]\nname = "hut"\n[segment.home]\nnetwork = "10.9.0.0/24"\nssid = "hut"\n[closet.a]\n{rooms}')
    assert main(["choose", str(plan), CALL[2], "--write", str(written)]) == 0
    said = capsys.readouterr().out
    assert "\n   1 access point: room-" in said
    assert "not proven" not in said
    assert max(map(len, said.splitlines())) <= 80
    assert main(["dimension", str(written)]) == 0
    assert "Every line is within its ceiling, with growth" in capsys.readouterr().out


def test_a_closet_from_which_nothing_hangs_is_left_empty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A room of its own closet that needs no access point: no switch there, the cable is spare, and no line is over."""
    plan, written = tmp_path / "plan.toml", tmp_path / "written.toml"
    rooms = "".join(
        f'[room.room-{n}]\ncloset = "{closet}"\nx = "{6 * n} m"\ny = "0 m"\nwidth = "6 m"\ndepth = "5 m"\n'
        for n, closet in enumerate("ab")
    )
    things = '[device.desk]\nkind = "desktop"\nat = "a"\n[device.phones]\nkind = "phone"\ncount = 4\n'
    way = '[drop.way]\nstarts = "a"\nends = "b"\nlength = "20 m"\n'
    plan.write_text(
        '[site]\nname = "hut"\n[segment.home]\nnetwork = "10.9.0.0/24"\nssid = "hut"\n[closet.a]\n[closet.b]\n'
        f"{rooms}{things}{way}"
    )
    assert main(["choose", str(plan), CALL[2], "--write", str(written)]) == 0
    capsys.readouterr()
    said = tomllib.loads(written.read_text())
    assert {row["closet"] for row in said["switch"].values()} == {"a"}
    assert "feeds" not in said["drop"]["way"]
    assert main(["check", str(written)]) == 0
    capsys.readouterr()
    assert main(["dimension", str(written)]) == 0
    assert "Every line is within its ceiling, with growth" in capsys.readouterr().out


def test_figures_of_a_sentence_are_written_as_those_of_the_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A German plan has decimal commas in both, and prices in JSON are whole cents."""
    plan = tmp_path / "plan.toml"
    plan.write_text(Path(CALL[1]).read_text().replace("en_GB", "de_DE"))
    assert main(["choose", str(plan), CALL[2]]) == 0
    said = capsys.readouterr().out
    assert re.search(r" \d,\d\n", said)
    assert re.search(r"outgrown in \d,\d\s+years", said)
    assert not re.search(r"\d\.\d\s+years", said)
    assert main(["choose", str(plan), CALL[2], "--json"]) == 0
    prices = re.findall(r'"price": ([\d.]+)', capsys.readouterr().out)
    assert prices
    assert all(len(price.partition(".")[2]) <= 2 for price in prices)


WIRED = """
[site]
name = "hut"
growth = "25 %"
[segment.home]
network = "10.9.0.0/24"
[closet.a]
max_switches = 2
[device.desk]
kind = "desktop"
count = 11
at = "a"
"""
SWITCHES = """
[router.small]
price = 50
ports = 4
routed = "1 Gb/s"
[switch.eight]
price = 30
ports = 8
[switch.sixteen]
price = 60
ports = 16
[switch.twenty-four]
price = 90
ports = 24
"""


def test_a_wired_plan_is_told_nothing_of_the_air(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No radio anywhere: no column, no sentence and no line speaks of radios, stations or access points."""
    plan, sheets = tmp_path / "plan.toml", tmp_path / "sheets.toml"
    plan.write_text(WIRED)
    sheets.write_text(SWITCHES)
    assert main(["choose", str(plan), str(sheets)]) == 0
    said = capsys.readouterr().out
    assert "grown" in said
    for word in ("radio", "station", "access point"):
        assert word not in said


def test_what_fails_for_one_reason_is_one_sentence_with_places_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A way out that is too slow for each option at the plan's growth: said once, with Mb/s, for all of them."""
    plan, sheets = tmp_path / "plan.toml", tmp_path / "sheets.toml"
    plan.write_text(WIRED.replace("desktop", "wired_television") + '[router]\nwan_down = "20 Mb/s"\n')
    sheets.write_text(SWITCHES)
    assert main(["choose", str(plan), str(sheets)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "grown, tidy: can't be had: the line to the outside lacks " in said
    assert "link:" not in said
    assert "e+" not in said


def test_the_written_plan_says_what_is_at_hand_and_what_its_way_up_needs(tmp_path: Path) -> None:
    """A switch that is kept is not called chosen; converters on a way up are named where their price stands."""
    plan, sheets, written = (tmp_path / name for name in ("plan.toml", "sheets.toml", "written.toml"))
    barn = '[building.house]\n[building.barn]\n[closet.b]\nbuilding = "barn"\n[device.screen]\nkind = "desktop"\nat = "b"\n'
    old = '[switch.old]\ncloset = "a"\nports = 24\nkeep = true\n'
    house = WIRED.replace("[closet.a]", '[closet.a]\nbuilding = "house"').replace("count = 11", "count = 7")
    plan.write_text(house + barn + old)
    sheets.write_text(SWITCHES + "[converter.pair]\nprice = 40\n")
    assert main(["choose", str(plan), str(sheets), "--write", str(written)]) == 0
    lines = written.read_text().splitlines()
    assert lines[lines.index("[switch.old]") - 1] == "# at hand"
    assert lines[lines.index("[switch.b]") - 1] == "# chosen: eight, and for its way up pair"


@pytest.mark.parametrize("time", ["0", "0.5", "soon", "nan", "1e9"])
def test_a_time_that_is_none_is_refused(time: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Less than a second is no time to look, nor is a word; it is said what is."""
    with pytest.raises(SystemExit) as ended:
        main([*CALL, "--patience", time])
    assert ended.value.code == 2
    assert f'"{time}": write seconds, from 1 to 86400' in capsys.readouterr().err


def test_where_time_ends_first_it_is_said_what_could_be_saved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no time at all the first set is shown; what is proven and what could be saved add up to its price."""
    monkeypatch.setattr("netaudit.cli.choose._for", lambda _: lambda: False)
    plan = tmp_path / "plan.toml"
    plan.write_text(plan_text(demo_unhung()[0]))
    call = ["choose", str(plan), CALL[2]]
    assert main([*call, "--json"]) == 0
    options = json.loads(capsys.readouterr().out)["options"]
    left = [option for option in options if not option["proven_cheapest"]]
    assert left
    for option in options:
        assert option["proven_at_least"] < option["price"] + 0.01
    assert main(call) == 0
    said = " ".join(capsys.readouterr().out.split())
    told = re.findall(r"nothing costs less than ([\d.]+), so at most ([\d.]+) or [\d.]+% could be saved", said)
    assert [float(bound) + float(saved) for bound, saved in told] == [
        pytest.approx(option["price"], abs=0.011) for option in left
    ]


def test_the_written_plan_has_no_line_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check` and `dimension` take the written plan with status 0, and nothing is left to do, with growth."""
    chosen = tmp_path / "chosen.toml"
    assert main([*CALL, "--write", str(chosen)]) == 0
    assert "# chosen:" in chosen.read_text()
    capsys.readouterr()
    assert main(["check", str(chosen)]) == 0
    assert main(["dimension", str(chosen)]) == 0
    assert "Every line is within its ceiling, with growth" in capsys.readouterr().out


def test_json_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    """Options by price, with what each buys."""
    assert main([*CALL, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    prices = [option["price"] for option in document["options"]]
    assert prices == sorted(prices)
    assert all(option["proven_cheapest"] for option in document["options"])


def test_no_solution_ends_with_status_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan that no sheet carries: status 1, the reason in words, and nothing written."""
    sheets = tmp_path / "sheets.toml"
    sheets.write_text('[router.small]\nprice = 10\nports = 4\nrouted = "1 Gb/s"\n')
    plan = tmp_path / "plan.toml"
    assert main(["choose", CALL[1], str(sheets), "--write", str(plan)]) == 1
    assert not plan.exists()
    assert "can't be had: " in capsys.readouterr().out


def test_a_draft_asks_nobody_where_nobody_can_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a terminal the answers that stand in brackets serve; the plan passes, and nothing is overwritten."""

    def asked(_: str = "") -> str:
        raise AssertionError("asked without a terminal")

    monkeypatch.setattr("builtins.input", asked)
    plan = tmp_path / "plan.toml"
    assert main(["draft", "--name", "Weir Cottage", "--phones", "4", "--write", str(plan)]) == 0
    assert main(["check", str(plan)]) == 0
    before = plan.read_bytes()
    assert main(["draft", "--write", str(plan)]) == 2
    assert plan.read_bytes() == before
    capsys.readouterr()


def test_a_draft_of_a_capture_passes_the_checks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo's capture of its wired network becomes a sound plan in which each guess is marked."""
    plan = tmp_path / "plan.toml"
    capture = DEMO.parents[1] / "pcaps" / "wired.pcap"
    assert main(["draft", "--from", str(capture), "--name", "heard", "--write", str(plan)]) == 0
    assert main(["check", str(plan)]) == 0
    assert "# guess: " in plan.read_text()
    capsys.readouterr()


def test_a_draft_of_every_shared_capture_is_sound_or_refused(
    captures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Real and damaged captures: a sound plan, or one line and status 2."""
    for number, capture in enumerate(sorted(captures.glob("*cap*"))):
        plan = tmp_path / f"{number}.toml"
        status = main(["draft", "--from", str(capture), "--network", "192.168.77.0/24", "--write", str(plan)])
        assert status in (0, 2), capture.name
        assert plan.exists() == (status == 0), capture.name
        if status == 0:
            assert main(["check", str(plan)]) == 0, capture.name
    capsys.readouterr()


@pytest.mark.parametrize("name", ["site.toml", "equipment.toml"])
def test_what_is_read_is_never_written_over(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Naming the plan or the sheets themselves, by whatever way, is refused before choosing; both keep every byte."""
    for one in ("site.toml", "equipment.toml"):
        (tmp_path / one).write_bytes((DEMO / one).read_bytes())
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    (tmp_path / "link").symlink_to(tmp_path / name)
    call = ["choose", str(tmp_path / "site.toml"), str(tmp_path / "equipment.toml"), "--write"]
    for way in (tmp_path / name, tmp_path / "link"):
        assert main([*call, str(way)]) == 2
        assert capsys.readouterr().err == f"netaudit choose: --write {way}: is what is read; name another file\n"
    assert {name: (tmp_path / name).read_bytes() for name in before} == before
