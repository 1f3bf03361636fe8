"""A clock and an empty store for each test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.clock import Clock
from tests.notify.scene import open_store

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from netaudit.store.store import Store


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    with open_store(tmp_path, clock) as opened:
        yield opened
