from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.judge import judge
from netaudit.audit.keep import keep
from netaudit.audit.life import is_quiet
from netaudit.capacity.ledger import gather
from netaudit.store.store import Store
from tests.audit.scene import NOW, Scene, small_site, stranger

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.audit.life import Memory


def test_a_trouble_that_comes_back_within_its_mute_stays_muted(tmp_path: Path) -> None:
    """Muted for a day, closed after an hour and back after two: the new finding is as quiet as the old, and no longer."""
    ledger, memory = gather(small_site()), None
    key = f"unknown device:{stranger(77)}"

    def go_on(store: Store, minute: int, memory: Memory | None, *, there: bool) -> Memory:
        scene = Scene().everybody()
        if there:
            scene.here(stranger(77), "home")
        now = NOW + timedelta(minutes=minute)
        judgement = judge(scene.site, ledger, scene.seen(), store.open_findings(), now, memory=memory)
        keep(store, judgement, now)
        return judgement.memory

    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW) as store:
        for minute in range(3):
            memory = go_on(store, minute, memory, there=True)
        store.mute_finding(key, NOW + timedelta(days=1), "a friend's telephone")
        for minute in range(60, 66):
            memory = go_on(store, minute, memory, there=False)
        assert store.open_findings() == []
        for minute in range(120, 123):
            memory = go_on(store, minute, memory, there=True)
        (back,) = store.open_findings()
    assert back.opened_at == NOW + timedelta(minutes=121)
    assert back.reason == "a friend's telephone"
    assert is_quiet(back, NOW + timedelta(hours=23))
    assert not is_quiet(back, NOW + timedelta(hours=25))
