"""The weekly report by the daemon: written in its own process, told once through the channels that want it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon.weekly import put_weekly, write_weekly
from netaudit.errors import LookError
from netaudit.notify.channel import Channel
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

PLAN = '[site]\nname = "Mill"\n[segment.home]\nnetwork = "192.0.2.0/24"\n[switch.s]\n[device.desk]\nkind = "desktop"\n'
NOW = datetime(2026, 3, 16, 6, tzinfo=UTC)


async def test_it_is_written_and_told_once_to_those_who_want_more_than_alarms(tmp_path: Path) -> None:
    """One letter on the channel that takes what is soon, none on the one for alarms; a second telling adds nothing."""
    plan, kept_at = tmp_path / "site.toml", tmp_path / "site.db"
    plan.write_text(PLAN)
    channels = [
        Channel("mail", tmp_path / "a", frozenset(("now", "soon"))),
        Channel("siren", tmp_path / "b", frozenset(("now",))),
    ]
    with Store.open(kept_at, site="Mill", clock=lambda: NOW) as store:
        letter = await write_weekly(str(plan), str(kept_at), str(tmp_path / "reports"), site="Mill")
        put_weekly(store, channels, letter, NOW)
        put_weekly(store, channels, letter, NOW)
        assert store.letter_keys("mail") == {letter.key}
        assert store.letter_keys("siren") == set()
    (page,) = (tmp_path / "reports").glob("*.html")
    assert letter.key == f"report {page.stem}"
    title, *lines = letter.body.splitlines()
    assert title.startswith(f"Mill, week {page.stem.removeprefix('week-')}: ")
    assert any(page.name in line for line in lines)


async def test_a_report_that_can_not_be_written_is_an_error_with_its_reason(tmp_path: Path) -> None:
    """Without a store there is nothing to report of; the job fails with the program's own line."""
    plan = tmp_path / "site.toml"
    plan.write_text(PLAN)
    with pytest.raises(LookError, match="is not there"):
        await write_weekly(str(plan), str(tmp_path / "none.db"), str(tmp_path), site="Mill")
