from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.judge import judge
from netaudit.audit.keep import keep
from netaudit.audit.seen import see, tolerance_of
from netaudit.capacity.ledger import gather
from netaudit.observe.observation import Health, How, Sighting
from netaudit.store.store import Store
from tests.audit.scene import BOX, CLOCK, DESK, KILN, NOW, PHONE, POINT, SAW, small_site

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from netaudit.audit.life import Memory

HOME = (
    (DESK, "192.0.2.21"),
    (BOX, "192.0.2.130"),
    (SAW, "192.0.2.131"),
    (KILN, "192.0.2.132"),
    (PHONE, "192.0.2.133"),
    (CLOCK, "192.0.2.30"),
    (POINT, "192.0.2.11"),
    ("02:00:5e:00:00:01", "192.0.2.1"),
)


def sweep(store: Store, at: datetime, *but: str) -> None:
    store.write([Sighting(at, "home", mac, address, How.ARP) for mac, address in HOME if mac not in but])
    store.write([Health(at, "sweep:home", good=True, reason="")])


def test_after_a_power_cut_of_our_own_nobody_is_missing_but_who_is(tmp_path: Path) -> None:
    """
    The box was off for three hours. Who answers the first sweeps after it is not missing; who doesn't for longer than it may
    be silent is found, once; and a finding that was open before goes on.
    """
    site, ledger = small_site(), gather(small_site())
    opened: list[tuple[str, timedelta]] = []
    closed: list[str] = []

    def judged(store: Store, now: datetime, memory: Memory | None) -> Memory:
        store.flush(now)
        judgement = judge(site, ledger, see(store, site, now), store.open_findings(), now, memory=memory)
        keep(store, judgement, now)
        opened.extend((one.key, now - NOW) for one in judgement.opened)
        closed.extend(one.key for one in judgement.closed)
        return judgement.memory

    def opened_at(now: datetime) -> Store:
        return Store.open(tmp_path / "x.db", site="x", clock=lambda: now, tolerance=tolerance_of(site))

    # Two hours before the cut the kiln falls silent, and is found.
    cut = NOW - timedelta(hours=3)
    memory: Memory | None = None
    with opened_at(cut) as store:
        for minute in range(-240, 1, 5):
            now = cut + timedelta(minutes=minute)
            sweep(store, now, *([KILN] if minute > -120 else []))
            memory = judged(store, now + timedelta(seconds=20), memory)
    assert [key for key, _ in opened] == ["missing device:kiln"]
    opened.clear()
    # Back at NOW: the first sweep misses the box, the saw is gone for good.
    memory = None
    with opened_at(NOW) as store:
        for minute in range(30):
            now = NOW + timedelta(minutes=minute)
            if minute % 5 == 1:
                sweep(store, now, SAW, KILN, *([BOX] if minute == 1 else []))
            memory = judged(store, now + timedelta(seconds=10), memory)
        still_open = {one.key for one in store.open_findings()}
    assert [key for key, _ in opened] == ["missing device:saw"]
    # Ten minutes of silence while looking, from the first sweep on, and two judgements.
    assert opened[0][1] == timedelta(minutes=12, seconds=10)
    assert closed == []
    assert still_open == {"missing device:kiln", "missing device:saw"}
