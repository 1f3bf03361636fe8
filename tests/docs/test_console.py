"""Every command of the manual is run as it stands, in the order of its chapter, and says what the manual says that it does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

DOCS = Path(__file__).resolve().parents[2] / "docs"
BLOCK = re.compile(r"^```console\n(.*?)^```", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True)
class Step:
    """One command, and the lines that the manual shows of its output; `...` stands for any lines, or the rest of one."""

    command: str
    shown: tuple[str, ...]


def steps_of(text: str) -> list[Step]:
    """Read the console blocks of a chapter."""
    found: list[Step] = []
    for block in BLOCK.findall(text):
        for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, *shown = piece.rstrip("\n").split("\n")
            found.append(Step(command, tuple(shown)))
    return found


def pattern(shown: tuple[str, ...]) -> re.Pattern[str]:
    """Turn what is shown into what must match the whole of the output."""
    lines = [r"(?:.*\n)*?" if line == "..." else _line(line) for line in shown]
    return re.compile("".join(lines))


def _line(line: str) -> str:
    return r"[^\n]*".join(re.escape(part) for part in line.rstrip().split("...")) + r" *\n"


def run(step: Step, folder: Path) -> str:
    """Run one command as a reader would, with the program of this environment."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", step.command],
        cwd=folder,
        env={**os.environ, "PATH": path, "COLUMNS": "100", "LC_ALL": "C.UTF-8"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )
    assert done.returncode == 0, f"{step.command}: ends with {done.returncode}: {done.stderr}"
    assert "Traceback" not in done.stderr
    # Numbers keep their unit by a space that does not break; a page shows a plain one.
    return done.stdout.replace("\xa0", " ").replace("\u202f", " ")


@pytest.mark.timeout(290)
@pytest.mark.parametrize("chapter", ["story.md"])
def test_a_chapter_does_what_it_says(chapter: str, tmp_path: Path) -> None:
    """Followed literally in an empty folder, each command works and prints what is shown beneath it."""
    steps = steps_of((DOCS / chapter).read_text("utf-8"))
    assert len(steps) >= 10
    for step in steps:
        said = run(step, tmp_path)
        assert pattern(step.shown).fullmatch(said), f"$ {step.command}\n{said}\nbut the manual shows\n" + "\n".join(
            step.shown
        )


def test_no_chapter_shows_commands_that_are_not_run() -> None:
    """A chapter with console blocks is one that this module, the deployment's tests or the store's run."""
    with_commands = {path.name for path in DOCS.glob("*.md") if steps_of(path.read_text("utf-8"))}
    assert with_commands == {"story.md", "living.md", "fleet.md"}


def test_a_manual_that_shows_something_else_fails() -> None:
    """The comparison can fail: a changed digit, a missing line and a line too many are seen."""
    shown = ("a 1", "...", "b ...")
    assert pattern(shown).fullmatch("a 1\nx\ny\nb 2\n")
    assert not pattern(shown).fullmatch("a 2\nx\nb 2\n")
    assert not pattern(shown).fullmatch("a 1\nx\n")
    assert not pattern(shown).fullmatch("a 1\nb 2\nc\n")
