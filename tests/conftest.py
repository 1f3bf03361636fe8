"""What every test may ask for: the reference tables and the shared captures."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

# The laboratory network is for tests of several rooms.
pytest_plugins = ["tests.lab.fixtures"]

# The same examples at each run: a failure can be repeated, and a green run means the same tomorrow.
settings.register_profile("repeatable", derandomize=True, deadline=None, print_blob=False)
settings.load_profile("repeatable")

HERE = Path(__file__).resolve().parent


@pytest.fixture(scope="session")
def reference() -> Path:
    """Give the folder of published values, each with its source in the row."""
    return HERE / "reference"


@pytest.fixture(scope="session")
def captures() -> Path:
    """
    Give the folder of real captures made by others, which are not part of this repository.

    NETAUDIT_CAPTURES names it; without that, `../shared/captures` beside the checkout is tried.
    """
    named = os.environ.get("NETAUDIT_CAPTURES")
    folder = Path(named) if named else HERE.parent.parent / "shared" / "captures"
    if not (folder / "ground_truth.json").is_file():
        pytest.skip("the shared captures are not beside this checkout; set NETAUDIT_CAPTURES to their folder")
    return folder
