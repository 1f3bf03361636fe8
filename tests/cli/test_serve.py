"""`serve`: what it refuses, and a process that serves until it is told to end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.request
from itertools import product
from typing import TYPE_CHECKING

import pytest

from netaudit.cli import main
from netaudit.errors import PlanError
from netaudit.site.load import parse_site
from tests.store.fleet_samples import folder_of_three

if TYPE_CHECKING:
    from pathlib import Path

# option of the call -> what stands in [serving] for it
CHOICES = (
    (((), ""), (("--host", "192.0.2.7"), 'host = "192.0.2.7"')),
    (((), ""), (("--token-env", "TOKEN_OF_NOBODY"), 'token_env = "TOKEN_OF_NOBODY"')),
    (((), ""), (("--certificate", "c.pem"), 'certificate = "c.pem"')),
    (((), ""), (("--key", "k.pem"), 'key = "k.pem"')),
    (((), ""), (("--behind-proxy",), "behind_proxy = true")),
)


@pytest.mark.parametrize("chosen", list(product(*CHOICES)))
def test_the_call_keeps_the_law_of_the_plan(
    chosen: tuple[tuple[tuple[str, ...], str], ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever a plan's [serving] may not say is refused here too, before the store is looked at, and nothing else is."""
    rows = "\n".join(row for _, row in chosen)
    plan = f'[site]\nname = "x"\n[segment.lan]\nnetwork = "192.0.2.0/24"\n[serving]\n{rows}\n'
    try:
        parse_site(plan)
    except PlanError:
        lawful = False
    else:
        lawful = True
    words = [word for option, _ in chosen for word in option]
    # The store is not there, and the token's variable is not set: either is the next thing that is said.
    assert main(["serve", str(tmp_path / "none.db"), *words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert ("is not there" in said or "holds no token" in said) == lawful, said


@pytest.mark.parametrize(
    "words",
    [
        ["--port", "65536"],
        ["--port", "-1"],
        ["--silent-after", "0"],
        ["--silent-after", "nan"],
        ["--silent-after", "inf"],
    ],
)
def test_numbers_out_of_range_are_told(words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The line names the option."""
    assert main(["serve", str(tmp_path), *words]) == 2
    assert words[0] in capsys.readouterr().err


def test_it_serves_until_it_is_told_to_end(tmp_path: Path) -> None:
    """It says where, answers there, and SIGTERM ends it with 0."""
    words = [sys.executable, "-m", "netaudit", "serve", str(folder_of_three(tmp_path)), "--port", "0", "--json"]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ)
    try:
        assert process.stdout is not None
        page = json.loads("".join(process.stdout.readline() for _ in range(3)))["page"]
        assert page.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(page, timeout=30) as answer:  # noqa: S310 - loopback, as just held
            assert b"Old barn" in answer.read()
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        assert process.stderr is not None
        assert process.stderr.read() == ""
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
