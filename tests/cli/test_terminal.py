"""What people read in a terminal: 80 columns, colour only where it is wanted, plain when piped."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from rich.cells import cell_len

from netaudit.capacity.ledger import gather
from netaudit.site.load import load_site
from netaudit.store.store import Store
from tests.publish.samples import NOW

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT = Path(__file__).resolve().parents[2]
# ECMA-48, 5.4: a control sequence; its last letter m sets colours and weight (8.3.117).
SEQUENCE = re.compile(r"\x1b\[[0-9;?]*([A-Za-z])")
COLUMNS = 80


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with the demonstration plan and an empty store beside it."""
    made = tmp_path_factory.mktemp("terminal")
    text = (ROOT / "netaudit" / "demo" / "site.toml").read_text("utf-8")
    (made / "site.toml").write_text(text, "utf-8")
    with Store.open(made / "site.db", site=load_site(made / "site.toml").site.name, clock=lambda: NOW):
        pass
    return made


COMMANDS = [
    ("check", "site.toml"),
    ("dimension", "site.toml"),
    ("audit", "site.toml"),
    ("choose", "site.toml", str(ROOT / "netaudit" / "demo" / "equipment.toml"), "--as-drawn"),
    ("census", str(ROOT / "pcaps" / "wired.pcap")),
    ("draw", "site.toml", "--out", "drawn"),
    ("report", "site.toml", "--out", "written"),
]


def environment(**more: str) -> Mapping[str, str]:
    """Give an environment in which nothing but the test decides on colours and width."""
    left = {
        name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS", "TERM", "FORCE_COLOR")
    }
    return {**left, "PYTHONPATH": str(ROOT), "LANG": "C.UTF-8", **more}


def on_terminal(folder: Path, words: tuple[str, ...], columns: int = COLUMNS, **more: str) -> str:
    """Run a command on a terminal of so many columns; give all that it wrote there."""
    mine, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "netaudit", *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=folder,
        env=environment(TERM="xterm-256color", **more),
    )
    os.close(theirs)
    wrote = b""
    while True:
        try:
            part = os.read(mine, 65536)
        except OSError as error:
            # Linux says EIO where the other end of a terminal is closed.
            if error.errno != errno.EIO:
                raise
            break
        if not part:
            break
        wrote += part
    os.close(mine)
    assert process.wait(60) in (0, 1), wrote.decode()
    return wrote.decode()


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_nothing_is_wider_than_the_terminal(folder: Path, words: tuple[str, ...]) -> None:
    """On 80 columns no line of a table runs over; a path alone may, for it must be copied whole."""
    for line in SEQUENCE.sub("", on_terminal(folder, words)).replace("\r", "\n").splitlines():
        assert cell_len(line) <= COLUMNS or " " not in line.strip() or "/" in line, line


@pytest.mark.parametrize("columns", [80, 60, 40])
@pytest.mark.parametrize("command", ["dimension", "audit"])
def test_a_ledger_keeps_its_places_and_states_on_a_narrow_terminal(folder: Path, command: str, columns: int) -> None:
    """Columns are left out rather than cut: each state is a whole word, each place stands, and nothing runs over."""
    lines = SEQUENCE.sub("", on_terminal(folder, (command, "site.toml"), columns)).splitlines()
    assert max(cell_len(line) for line in lines) <= columns
    assert not [line for line in lines if "…" in line]
    # Each line of the ledger has one state, and no fold or cut takes it away.
    ledger = gather(load_site(folder / "site.toml")).lines
    assert len(re.findall(r"\b(?:within|tight|over)\b(?! the| site)", "\n".join(lines))) >= len(ledger)
    # A folded place has its words under one another: they are counted, not read in a row.
    for word in ("recorder", "battery", "channel", "closet", "network"):
        assert sum(line.count(word) for line in lines) >= 1, word


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_no_color_is_honoured(folder: Path, words: tuple[str, ...]) -> None:
    """With NO_COLOR set no sequence sets a colour (no-color.org); weight may stay."""
    for found in re.finditer(r"\x1b\[([0-9;]*)m", on_terminal(folder, words, NO_COLOR="1")):
        assert set(found[1].split(";")) <= {"", "0", "1", "2", "3", "4", "22"}, found[0]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_a_pipe_gets_plain_text(folder: Path, words: tuple[str, ...]) -> None:
    """Piped, there is no control character but the line's end, on both outputs."""
    done = subprocess.run(
        [sys.executable, "-m", "netaudit", *words],
        capture_output=True,
        text=True,
        cwd=folder,
        env=environment(TERM="xterm-256color"),
        check=False,
        timeout=120,
    )
    assert done.returncode in (0, 1), done.stderr
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", done.stdout + done.stderr)
