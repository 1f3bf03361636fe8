"""What commands share when they write: a file is whole or is as it was."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from netaudit.cli.output import write_whole
from netaudit.errors import NetauditError

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "netaudit" / "demo"


def _small_files() -> None:
    """Let no file of this process grow beyond 2 kB: a write that passes it fails halfway, as on a full disk."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (2048, 2048))


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (["draw", "site.toml", "--out", "."], "site.svg"),
        (["choose", "site.toml", "equipment.toml", "--write", "chosen.toml"], "chosen.toml"),
        (["draft", "--name", "x", "--rooms", ",".join(f"room-{n}" for n in range(200)), "--write", "new.toml"], None),
        (["baseline", "site.toml", "spring", "--from", str(ROOT / "pcaps" / "wired.pcap")], None),
    ],
    ids=lambda words: words[0] if isinstance(words, list) else "",
)
def test_a_write_that_fails_halfway_leaves_what_was_there(words: list[str], file: str | None, tmp_path: Path) -> None:
    """Status 2, a line that names the file and what to do; the older file is untouched and no piece of a new one is left."""
    for name in ("site.toml", "equipment.toml"):
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    if file is not None:
        (tmp_path / file).write_text("as it was")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    done = subprocess.run(
        [sys.executable, "-B", "-m", "netaudit", *words],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        preexec_fn=_small_files,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
        timeout=120,
    )
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1
    assert "can't be written: File too large" in done.stderr
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_folders_are_made_and_a_file_in_their_way_is_told(tmp_path: Path) -> None:
    """What is missing on the way to a file is made; where a file stands in the way the error says so and what to do."""
    write_whole(tmp_path / "a" / "b" / "page.html", "ä")
    assert (tmp_path / "a" / "b" / "page.html").read_bytes() == b"\xc3\xa4"
    (tmp_path / "taken").write_text("")
    with pytest.raises(NetauditError, match=r"taken/page\.html: can't be written: .*; name another file$"):
        write_whole(tmp_path / "taken" / "page.html", b"", cure="name another file")
