"""A system that stands in a folder, and releases to install on it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RELEASE = ("deploy", "netaudit", "pyproject.toml", "requirements.lock", "README.md", "LICENSE")


@dataclass(frozen=True)
class System:
    """A system in a folder, and a release to install on it."""

    root: Path
    release: Path

    def setup(self, *words: str, release: Path | None = None, status: int = 0) -> str:
        """Run a task."""
        done = subprocess.run(
            [str((release or self.release) / "deploy" / "setup"), *words, "--root", str(self.root)],
            capture_output=True,
            text=True,
            check=False,
            # As on a box whose root keeps everything to itself; what is installed is read by another user.
            umask=0o077,
        )
        assert done.returncode == status, done.stdout + done.stderr
        return done.stdout + done.stderr

    @property
    def current(self) -> str:
        """Name of the version in use."""
        return (self.root / "opt/netaudit/current").readlink().name

    @property
    def data(self) -> Path:
        """Where what is kept is."""
        return self.root / "var/lib/netaudit"

    def program(self, *words: str) -> list[str]:
        """Give a call of the installed program as the service's user."""
        owner = self.data.stat()
        return [
            *("setpriv", "--reuid", str(owner.st_uid), "--regid", str(owner.st_gid), "--clear-groups"),
            *(str(self.root / "opt/netaudit/current/bin/python"), "-I", "-m", "netaudit", *words),
        ]


def copy_release(to: Path) -> Path:
    """Copy what a release holds."""
    to.mkdir()
    for name in RELEASE:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, to / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, to / name)
    return to
