"""Reading leaves no trace: who looks into a store that another process writes changes nothing in it."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from netaudit.observe.observation import How, Sighting
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def _dump(path: Path) -> str:

    with closing(sqlite3.connect(path)) as kept:
        return hashlib.sha256("\n".join(kept.iterdump()).encode()).hexdigest()


def test_a_reader_ends_no_interval(tmp_path: Path) -> None:
    """An interval that is still growing is untouched by a reader that comes an hour later."""
    path = tmp_path / "site.db"
    writer = Store.open(path, site="home", clock=lambda: NOW)
    writer.write([Sighting(NOW, "home", "02:00:00:00:00:01", "192.0.2.1", How.ARP)])
    writer.flush(NOW)
    before = _dump(path)
    later = NOW + timedelta(hours=1)
    with Store.open(path, site="home", clock=lambda: later) as reader:
        assert len(reader.devices(later)) == 1
    assert _dump(path) == before
    writer.close()
