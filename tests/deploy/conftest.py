"""What the deployment's tests share: one real installation, which takes its time."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.deploy.system import System, copy_release

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session")
def system() -> Iterator[System]:
    """Install into a folder once; tests follow each other on it."""
    if os.geteuid() != 0:
        pytest.skip("needs root: files get other owners")
    for name in ("systemd-sysusers", "systemd-tmpfiles", "setpriv"):
        if shutil.which(name) is None:
            pytest.skip(f"{name} is not on this machine")
    # Not below pytest's own folder, which nobody but root may enter: the service's user must be able to come to its files.
    folder = Path(tempfile.mkdtemp(prefix="netaudit-system-"))
    folder.chmod(0o711)
    built = System(folder / "root", copy_release(folder / "release"))
    try:
        (built.root / "etc").mkdir(parents=True)
        built.setup("install")
        yield built
    finally:
        shutil.rmtree(folder)
