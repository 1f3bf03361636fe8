from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.judge import judge
from netaudit.audit.keep import keep, not_kept
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


def test_while_nothing_can_be_kept_only_that_is_found(tmp_path: Path) -> None:
    """A stranger and the store's trouble both hold: the store's is found from the second judgement on, the stranger only later."""
    ledger, memory, said = gather(small_site()), None, []
    key = f"unknown device:{stranger(77)}"
    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW) as store:
        for minute in range(6):
            full = minute < 4
            scene = Scene().everybody().here(stranger(77), "home")
            scene.source("store", good=not full, reason="full" if full else "", since_s=1000, ago_s=0)
            now = NOW + timedelta(minutes=minute)
            judgement = judge(scene.site, ledger, scene.seen(), store.open_findings(), now, memory=memory)
            if full:
                memory, found = not_kept(memory, judgement)
                said.append([one.key for one in found])
            else:
                keep(store, judgement, now)
                memory = judgement.memory
        assert [one.key for one in store.open_findings()] == [key]
    assert said == [[], *[["source_silent source:store"]] * 3]
