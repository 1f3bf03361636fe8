"""A notice that goes on is known to go on, though the table learns of it only now and then."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from netaudit.observe.observation import Notice
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
STEP = timedelta(minutes=5)


def test_a_repeated_notice_is_as_late_as_it_was_last_said(tmp_path: Path) -> None:
    """Said every five minutes for two hours: at each reading its last time is the last that was flushed, and counted."""
    now = NOON
    with Store.open(tmp_path / "site.db", site="home", clock=lambda: now) as store:
        for turn in range(1, 25):
            store.write([Notice(now, "segment:home", "address_conflict", (("address", "192.0.2.9"),))])
            store.flush(now)
            (heard,) = store.notices(now - STEP, now + STEP)
            assert (heard.first_at, heard.last_at, heard.times) == (NOON, now, turn)
            assert store.notices(now - STEP, now + STEP, "flood") == []
            now += STEP


def test_after_a_restart_the_table_is_what_is_known(tmp_path: Path) -> None:
    """A clean stop writes the last time; a new process reads it before it has written anything."""
    now = NOON
    with Store.open(tmp_path / "site.db", site="home", clock=lambda: now) as store:
        for _ in range(3):
            store.write([Notice(now, "segment:home", "flood", ())])
            store.flush(now)
            now += STEP
    with Store.open(tmp_path / "site.db", site="home", clock=lambda: now) as store:
        (heard,) = store.notices(NOON, now)
    assert (heard.last_at, heard.times) == (NOON + 2 * STEP, 3)


def test_only_who_writes_knows_of_repeats_up_to_now(address: str) -> None:
    """Once it has written; not who reads beside it, and not before what was removed behind its back is read anew."""
    said = [Notice(NOON, "segment:home", "flood", ())]
    with (
        Store.open(address, site="home", clock=lambda: NOON) as watch,
        Store.open(address, site="home", clock=lambda: NOON) as beside,
    ):
        assert not watch.knows_repeats()
        watch.write(said)
        watch.flush(NOON)
        assert (watch.knows_repeats(), beside.knows_repeats()) == (True, False)
        beside.prune(NOON + timedelta(days=4000))
        assert not watch.knows_repeats()
        watch.write(said)
        watch.flush(NOON)
        assert watch.knows_repeats()
