"""The example at the end of a command's help can be typed as it stands, in the folder in which the demonstration was made."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from netaudit.cli import COMMANDS, main
from netaudit.site.load import load_site
from netaudit.store.store import Store
from tests.publish.samples import NOW

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOT = Path(__file__).resolve().parents[2]
TASKS = ("check", "backup", "restore", "prune", "forget", "ship")
# What needs a network, a receiver, a central database or twenty seconds: each is run by tests of its own.
ELSEWHERE = {"accept", "run", "alert", "demo", "serve", "store ship"}


def example_of(words: Sequence[str]) -> list[str]:
    """Give the words of the example that ends a help: one line, so that it can be copied."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), pytest.raises(SystemExit):
        main([*words, "--help"])
    return shlex.split(said.getvalue().rpartition("example: ")[2].split("\n")[0])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with what the demonstration makes and the examples name: plan, sheets, capture and a store."""
    made = tmp_path_factory.mktemp("examples")
    (made / "demo-output" / "captures").mkdir(parents=True)
    for name in ("site.toml", "equipment.toml"):
        shutil.copy(ROOT / "netaudit" / "demo" / name, made / "demo-output" / name)
    shutil.copy(ROOT / "pcaps" / "wired.pcap", made / "demo-output" / "captures" / "wired.pcap")
    name = load_site(made / "demo-output" / "site.toml").site.name
    with Store.open(made / "demo-output" / "site.db", site=name, clock=lambda: NOW):
        pass
    return made


def test_examples_work_as_they_stand(folder: Path) -> None:
    """In the order of a job each ends with 0, or with 1 where something is over; no file is missing, no word unknown."""
    helps = [(name,) for name in COMMANDS if name != "store"] + [("store", task) for task in TASKS]
    tried = 0
    for words in helps:
        example = example_of(words)
        assert example[: 1 + len(words)] == ["netaudit", *words]
        if " ".join(words) in ELSEWHERE:
            continue
        done = subprocess.run(
            [sys.executable, "-m", *example],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            cwd=folder,
            check=False,
            timeout=120,
        )
        assert done.returncode in (0, 1), f"{shlex.join(example)}: {done.stderr}"
        assert not re.search(r"Traceback|No such file", done.stderr), done.stderr
        tried += 1
    assert tried == len(helps) - len(ELSEWHERE)
