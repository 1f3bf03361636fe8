"""The command line: help at once, one line for what is wrong, exit status by rule."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from netaudit.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "netaudit" / "demo" / "site.toml"
# A cable to what has none.
CROSSED = """[site]
name = "x"
[segment.a]
network = "192.0.2.0/24"
ssid = "x"
[closet.c]
[room.r]
[switch.s]
closet = "c"
supply = "60 W"
[[switch.s.ports]]
count = 8
power = "type 2"
[access_point.p]
at = "r"
switch = "s"
[drop.d]
starts = "c"
ends = "r"
feeds = "device:lamp"
[device.lamp]
label = "Lamp over the stairs"
kind = "light"
at = "r"
"""


def _call(*words: str, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "netaudit", *words],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=timeout,
        check=False,
    )


def test_help_imports_nothing_heavy() -> None:
    """Help needs the standard library alone: that is what keeps it quick on a slow box."""
    code = (
        "import sys, contextlib, io, netaudit.cli as c\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()): c.main(['--help'])\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'pydantic','sqlalchemy','scapy','rich','starlette',"
        "'pygal','prometheus_client','apscheduler','babel','jinja2','alembic','highspy','numpy'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help_that_fits_a_screen_and_ends_with_an_example(command: str) -> None:
    """At most 40 lines, and an example in which the command is spelled as it is called."""
    done = _call(command, "--help")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.rstrip().splitlines()
    assert len(lines) <= 40
    assert any(line.startswith(f"example: netaudit {command}") for line in lines[-3:])


def test_a_command_that_is_none_is_one_line() -> None:
    """No traceback, status 2, and where help is."""
    done = _call("chekc", "x")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "--help" in done.stderr


@pytest.mark.parametrize(
    ("words", "called"),
    [
        (["dimension", "--bogus", "site.toml"], "netaudit dimension"),
        (["check", "site.toml", "other.toml"], "netaudit check"),
        (["store", "check", "x.db", "--bogus"], "netaudit store check"),
    ],
)
def test_a_word_too_many_is_told_with_the_command_s_own_help(
    words: list[str], called: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, status 2, and the help that lists what the command takes."""
    assert main(words) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"{called}: doesn't know ")
    assert said.endswith(f"; see {called} --help\n")
    assert said.count("\n") == 1


def test_a_call_without_its_plan_is_one_line() -> None:
    """A missing argument is named."""
    done = _call("check")
    assert done.returncode == 2
    assert "SITE" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_sound_plan_is_said_to_be_sound(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo plan passes with status 0 and is counted."""
    assert main(["check", str(DEMO)]) == 0
    assert "121 devices" in capsys.readouterr().out


def test_a_wrong_plan_ends_with_status_2_and_each_fault_on_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """file:line, nothing on standard output."""
    plan = tmp_path / "bad.toml"
    plan.write_text('[site]\nname = "x"\nbogus = 1\n[segment.a]\nnetwork = "10.0.0.0/24"\nvlan = 9999\n')
    assert main(["check", str(plan)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert [line.split(": ")[0] for line in said.err.splitlines()] == [f"{plan}:3", f"{plan}:6"]


def test_a_plan_that_contradicts_itself_is_not_called_sound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A drop to a wireless device: the very flaws and hazards that `dimension` counts are named; the plan can be watched."""
    plan = tmp_path / "site.toml"
    plan.write_text(CROSSED)
    assert main(["dimension", str(plan), "--json"]) == 1
    judged = json.loads(capsys.readouterr().out)
    assert [flaw["kind"] for flaw in judged["flaws"]] == ["drop_to_wireless"]
    assert not judged["hazards"]
    assert main(["check", str(plan)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith(f"{plan}: can be read and is not sound. x: 1 device, ")
    assert said[1] == "flaw: drop d: feeds Lamp over the stairs, whose kind is wireless"
    assert said[2:] == [f"1 flaw: netaudit dimension {plan} says what to do."]


def test_one_of_a_kind_is_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan with one segment says so in the singular, and in one line however long its name is."""
    plan = tmp_path / "site.toml"
    plan.write_text(f'[site]\nname = "{"x" * 120}"\n[segment.a]\nnetwork = "10.0.0.0/24"\n')
    assert main(["check", str(plan)]) == 0
    said = capsys.readouterr().out
    assert said.count("\n") == 1
    assert "0 devices, 1 segment, 0 switches" in said


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("words", ["check SITE", "check SITE --json", "dimension SITE", "draft --name x"])
def test_output_onto_a_full_disk_ends_in_one_line(words: str) -> None:
    """What can't be written is said in the system's words, with status 2 and without a traceback."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "netaudit", *words.replace("SITE", str(DEMO)).split()],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr == f"netaudit {words.split(maxsplit=1)[0]}: No space left on device\n"


def output_in_ascii(words: str, plan: Path, status: int = 0) -> bytes:
    """Give what a command prints on an umlaut's plan where the output takes ASCII alone; it must do its work."""
    plan.write_text(DEMO.read_text("utf-8").replace("Heron Mill", "Mühle"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "netaudit", *words.replace("SITE", str(plan)).split()],
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        cwd=ROOT,
        check=False,
    )
    assert (done.returncode, done.stderr) == (status, b"")
    return done.stdout


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        ("check SITE", b"M?hle", 0),
        ("dimension SITE", b"M?hle", 0),
        # A figure keeps its sign and its unit: a minus, and the no-break spaces between.
        ("dimension SITE --explain radio:hall/2.4", b": 7.59 % (", 0),
        ("dimension SITE --add 6:camera@yard", b" -77.4 W ", 1),
    ],
)
def test_a_terminal_without_our_letters_gets_question_marks(
    words: str, said: bytes, status: int, tmp_path: Path
) -> None:
    """Where the output takes ASCII alone a box or an umlaut becomes a question mark, a minus stays one; the command goes on."""
    printed = output_in_ascii(words, tmp_path / "site.toml", status)
    assert printed.isascii()
    assert said in printed


@pytest.mark.parametrize("words", ["check SITE --json", "dimension SITE --json", "draft --name Mühle"])
def test_what_programs_read_is_utf8_whatever_the_locale(words: str, tmp_path: Path) -> None:
    """JSON and plans keep their letters where the output takes ASCII alone."""
    assert "Mühle" in output_in_ascii(words, tmp_path / "site.toml").decode()


def test_a_reader_that_leaves_early_is_no_fault() -> None:
    """`netaudit check --json | head -1` ends quietly."""
    script = f"{sys.executable} -m netaudit check {DEMO} --json | head -1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", script], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.stderr == ""
    assert done.returncode == 0
