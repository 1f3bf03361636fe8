"""The commands of the chapter about living with it are run as they stand, on a copy of this system that is thrown away."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.system import System, copy_release
from tests.docs.test_console import DOCS, Step, pattern, steps_of

# A mount namespace in which what is written to these folders goes to memory and ends with it.
COPIED = ("/etc", "/opt", "/usr/local", "/var/lib")
COPY = """
set -euo pipefail
mount -t tmpfs none "$1"
number=0
for folder in {folders}; do
  number=$((number + 1))
  mkdir -p "$1/$number/upper" "$1/$number/work"
  mount -t overlay none -o "lowerdir=$folder,upperdir=$1/$number/upper,workdir=$1/$number/work" "$folder"
done
mkdir -p /opt/netaudit
cp -a "$2/." /opt/netaudit/
rm -f /opt/netaudit/current
exec bash -c "$3"
"""
MARK = "-- 6d1f next --"


@pytest.mark.timeout(300)
def test_the_chapter_does_what_it_says(system: System, tmp_path: Path) -> None:
    """Followed literally, each command works and prints what is shown; what it changed is gone afterwards."""
    scratch, shims = tmp_path / "scratch", tmp_path / "shims"
    for folder in (scratch, shims):
        folder.mkdir()
    (shims / "sudo").write_text('#!/bin/sh\nexec "$@"\n')
    (shims / "sudo").chmod(0o755)
    release = copy_release(tmp_path / "release")
    steps: list[Step] = steps_of((DOCS / "living.md").read_text("utf-8"))
    assert len(steps) >= 6
    script = f"cd {release}\n" + "".join(
        f"{{ {step.command}\n}} 2>&1 || echo failed\necho '{MARK}'\n" for step in steps
    )
    before = shutil.which("netaudit", path="/usr/local/bin")
    done = subprocess.run(
        [
            *(
                "unshare",
                "--mount",
                "--propagation",
                "private",
                "bash",
                "-c",
                COPY.format(folders=" ".join(COPIED)),
                "copy",
            ),
            *(str(scratch), str(system.root / "opt/netaudit"), script),
        ],
        env={**os.environ, "PATH": f"{shims}:/usr/local/bin:{Path(sys.base_prefix) / 'bin'}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )
    if "overlay" in done.stderr and MARK not in done.stdout:
        pytest.skip(f"no copy of this system can be made here: {done.stderr.strip()}")
    said = done.stdout.split(f"{MARK}\n")
    assert len(said) == len(steps) + 1, f"the copy ended early: {done.stdout}\n{done.stderr}"
    for step, output in zip(steps, said[:-1], strict=True):
        assert pattern(step.shown).fullmatch(output), f"$ {step.command}\n{output}\n{done.stderr}"
        assert "failed\n" not in output
    assert shutil.which("netaudit", path="/usr/local/bin") == before
    assert not Path("/etc/netaudit").exists()
