"""A user's program: its observations, its bounds, and nothing of it left behind."""

from __future__ import annotations

import asyncio
import json
import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.errors import LookError
from netaudit.observe.command import MOST_OBSERVATIONS, read_observations, run_command
from netaudit.observe.observation import Health, Notice, Observation, Sample

AT = datetime(2026, 3, 1, tzinfo=UTC)


async def run(
    script: str, *, timeout_s: float = 10.0, environment: dict[str, str] | None = None
) -> tuple[Observation, ...]:
    """Run a Python program."""
    return await run_command(
        "command:x",
        [sys.executable, "-c", script],
        environment=environment or {},
        timeout_s=timeout_s,
        now=lambda: AT,
    )


async def test_a_program_s_lines_are_its_observations() -> None:
    """Samples with and without a value, a notice with its words in order, blank lines between."""
    lines = [
        {"place": "link:wan", "kind": "up_bps", "value": 1_250_000},
        {"place": "radio:hall/2.4", "kind": "stations", "value": None},
        {"place": "router", "kind": "firmware", "detail": {"text": "4.2", "also": "x"}},
    ]
    told = await run(f"print({chr(10).join(map(json.dumps, lines))!r} + chr(10))")
    assert told == (
        Sample(AT, "link:wan", "up_bps", 1_250_000.0),
        Sample(AT, "radio:hall/2.4", "stations", None),
        Notice(AT, "router", "firmware", (("also", "x"), ("text", "4.2"))),
        Health(AT, "command:x", good=True, reason=""),
    )


WRONG = [
    ("no JSON", "hello", "is no JSON"),
    ("no object", "[1]", "is no JSON object"),
    ("no place", '{"place": "the shed", "kind": "up_bps", "value": 1}', "place is none of the ledger's"),
    ("no kind", '{"place": "router", "kind": "Up", "value": 1}', "kind is no word"),
    ("text for a number", '{"place": "router", "kind": "up_bps", "value": "1"}', "value is no number"),
    ("true for a number", '{"place": "router", "kind": "up_bps", "value": true}', "value is no number"),
    ("not a number", '{"place": "router", "kind": "up_bps", "value": NaN}', "value is no number"),
    ("too large", '{"place": "router", "kind": "up_bps", "value": 1' + "0" * 400 + "}", "value is no number"),
    ("one key too many", '{"place": "router", "kind": "up_bps", "value": 1, "at": 2}', "has to have"),
    ("a number for a word", '{"place": "router", "kind": "firmware", "detail": {"text": 1}}', "detail is not"),
    ("a key that is no word", '{"place": "router", "kind": "firmware", "detail": {"a b": "x"}}', "a key of detail"),
]


@pytest.mark.parametrize(("line", "words"), [row[1:] for row in WRONG], ids=[row[0] for row in WRONG])
def test_a_line_that_is_wrong_is_told_and_the_next_counts(line: str, words: str) -> None:
    """The fault with its line number; the good line after it is an observation all the same."""
    told, faults = read_observations(f'{line}\n{{"place": "router", "kind": "up_bps", "value": 1}}\n'.encode(), AT)
    assert told == [Sample(AT, "router", "up_bps", 1.0)]
    assert len(faults) == 1
    assert faults[0].startswith("line 1: ")
    assert words in faults[0]


@given(
    st.one_of(
        st.binary(max_size=200),
        st.recursive(st.none() | st.text(), st.lists).map(lambda one: json.dumps(one).encode()),
    )
)
def test_noise_is_no_crash(printed: bytes) -> None:
    """Whatever a program prints, nothing is raised."""
    told, _ = read_observations(printed, AT)
    assert all(isinstance(one, Sample | Notice) for one in told)


def test_deep_nesting_is_a_fault() -> None:
    """A line of a hundred thousand brackets is no JSON to us."""
    assert read_observations(b"[" * 100_000, AT)[1]


def test_no_more_observations_than_may_be() -> None:
    """The bound holds and is told."""
    line = b'{"place": "router", "kind": "up_bps", "value": 1}\n'
    told, faults = read_observations(line * (MOST_OBSERVATIONS + 5), AT)
    assert len(told) == MOST_OBSERVATIONS
    assert len(faults) == 1


async def test_a_status_that_is_not_0_is_trouble() -> None:
    """What it printed counts, and its status is the reason."""
    told = await run("""print('{"place": "router", "kind": "up_bps", "value": 1}'); raise SystemExit(3)""")
    assert isinstance(told[0], Sample)
    assert told[-1] == Health(AT, "command:x", good=False, reason="it ended with status 3")


async def test_a_program_that_is_not_there_is_told() -> None:
    """One line with the system's reason."""
    with pytest.raises(LookError, match=r"can't be run: No such file"):
        await run_command("command:x", ["/no/such/program"], environment={}, timeout_s=1, now=lambda: AT)


async def test_it_gets_the_environment_that_it_was_given_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """A secret of ours is not the program's."""
    monkeypatch.setenv("NETAUDIT_TEST_SECRET", "word")
    script = """
import json, os
print(json.dumps({"place": "router", "kind": "environment", "detail": {"given": os.environ.get("GIVEN", ""), "secret": os.environ.get("NETAUDIT_TEST_SECRET", "none")}}))
"""
    told = await run(script, environment={"GIVEN": "yes"})
    assert told[0] == Notice(AT, "router", "environment", (("given", "yes"), ("secret", "none")))


def alive(pid: int) -> bool:
    """Say whether a process runs; one that only waits to be collected doesn't."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_gone(pid: int) -> None:
    """Wait until a process is gone."""
    until = time.monotonic() + 5
    while alive(pid):
        assert time.monotonic() < until
        time.sleep(0.02)


@pytest.mark.parametrize("stubborn", [False, True])
async def test_a_program_that_takes_too_long_is_ended_with_its_children(tmp_path: Path, stubborn: bool) -> None:  # noqa: FBT001
    """After the time it and what it started are gone, also when they don't listen to SIGTERM."""
    notes = tmp_path / "pids"
    script = f"""
import os, signal, subprocess, sys, time
if {stubborn}:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
child = subprocess.Popen(["sleep", "60"])
open({str(notes)!r}, "w").write(f"{{os.getpid()}} {{child.pid}}")
time.sleep(60)
"""
    with pytest.raises(LookError, match="took longer than"):
        await run(script, timeout_s=1.5, environment={"PATH": os.environ["PATH"]})
    for pid in map(int, notes.read_text().split()):
        wait_gone(pid)


async def test_children_that_outlive_the_program_are_ended(tmp_path: Path) -> None:
    """A program that ends well and leaves something running in its group: that is ended too."""
    notes = tmp_path / "pid"
    script = f"""
import subprocess
child = subprocess.Popen(["sleep", "60"], stdout=subprocess.DEVNULL)
open({str(notes)!r}, "w").write(str(child.pid))
"""
    told = await run(script, environment={"PATH": os.environ["PATH"]})
    assert told[-1] == Health(AT, "command:x", good=True, reason="")
    wait_gone(int(notes.read_text()))


async def test_endless_output_is_cut() -> None:
    """A program that prints for ever is ended at the bound, long before its time."""
    began = time.monotonic()
    with pytest.raises(LookError, match="printed more than"):
        await run("while True: print('x' * 1000)", timeout_s=30)
    assert time.monotonic() - began < 20


async def test_stopping_the_daemon_ends_the_program(tmp_path: Path) -> None:
    """A look that is cancelled leaves nothing running."""
    notes = tmp_path / "pid"
    task = asyncio.create_task(
        run(f"import os, time; open({str(notes)!r}, 'w').write(str(os.getpid())); time.sleep(60)", timeout_s=60)
    )
    while not (notes.exists() and notes.read_text()):  # noqa: ASYNC110 - what happens is in another process
        await asyncio.sleep(0.02)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    wait_gone(int(notes.read_text()))
