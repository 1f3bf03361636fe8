from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.wire.fuzz.targets import TARGETS, run_one

HERE = Path(__file__).resolve().parent
CORPUS = sorted((HERE / "corpus").iterdir())


def test_the_corpus_reaches_every_target() -> None:
    """Each decoder and reader has inputs to begin with."""
    assert {path.read_bytes()[0] % len(TARGETS) for path in CORPUS} == set(range(len(TARGETS)))


def test_nothing_in_the_corpus_raises() -> None:
    """Every input that once reached new code is a value, None or a refusal in every target."""
    for path in CORPUS:
        data = path.read_bytes()
        for number in range(len(TARGETS)):
            run_one(bytes([number]) + data[1:])


@pytest.mark.skipif(importlib.util.find_spec("atheris") is None, reason="atheris is not installed (extra `fuzz`)")
def test_some_seconds_of_fuzzing_find_nothing(tmp_path: Path) -> None:
    """A short run beyond the corpus: thousands of inputs, no exception, no hang, no memory without end."""
    done = subprocess.run(
        [sys.executable, str(HERE / "fuzz.py"), "8"],
        # The fuzzer ends its process itself, without tidying up: what it finds goes to a folder of the test.
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    tried = re.search(r"stat::number_of_executed_units:\s*(\d+)", done.stderr)
    assert tried is not None
    assert int(tried[1]) > 1_000
