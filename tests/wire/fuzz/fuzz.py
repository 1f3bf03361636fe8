"""
Fuzz the decoders and the capture readers with atheris, from the corpus beside this file.

    python tests/wire/fuzz/fuzz.py SECONDS [--keep]

Ends with status 0 if nothing was raised; an input that breaks something is written to `crashes/` beside this file. With
--keep, inputs that reach new code are added to the corpus.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[2]))

with atheris.instrument_imports(include=["netaudit"]):
    from tests.wire.fuzz.targets import run_one

# The longest Ethernet frame, or a capture of some small ones.
LONGEST = 1600
# An input that takes longer is a finding: the slowest honest one takes milliseconds.
TIMEOUT_S = 10
MEMORY_MB = 1024


def main(seconds: int, *, keep: bool) -> None:
    """Fuzz for some seconds; never returns, libFuzzer ends the process."""
    corpus = HERE / "corpus"
    crashes = HERE / "crashes"
    crashes.mkdir(exist_ok=True)
    fresh = corpus if keep else Path(tempfile.mkdtemp(prefix="corpus-"))
    atheris.Setup(
        [
            sys.argv[0],
            f"-max_total_time={seconds}",
            f"-max_len={LONGEST}",
            f"-timeout={TIMEOUT_S}",
            f"-rss_limit_mb={MEMORY_MB}",
            f"-artifact_prefix={crashes}/",
            "-print_final_stats=1",
            "-seed=826",
            str(fresh),
            str(corpus),
        ],
        run_one,
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main(int(sys.argv[1]), keep="--keep" in sys.argv[2:])
