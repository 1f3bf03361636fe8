"""What waits for its commit: readers see what goes on before it is committed, and what is new is committed soon."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from netaudit.observe.observation import Health, How, Naming, Notice, Observation, Sample, Sighting
from netaudit.store import read
from netaudit.store.stay import TOLERANCE_S

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from netaudit.store.records import Condition
    from netaudit.store.store import Store
    from tests.clock import Clock

MACS = [f"02:00:00:00:00:{number:02x}" for number in range(12)]
SECOND, HOUR = timedelta(seconds=1), timedelta(hours=1)


def _all(at: datetime, *, good: bool = True) -> list[Observation]:
    """Give one observation of each kind of each device."""
    seen: list[Observation] = []
    for number, mac in enumerate(MACS):
        seen += [
            Sighting(at, "home", mac, f"192.168.7.{number}", How.ECHO),
            Naming(at, mac, f"gadget-{number}", How.DHCP),
            Notice(at, f"device:{mac}", "announced", (("service", "_http._tcp"),)),
            Health(at, f"echo:{number}", good=good, reason="" if good else "cable out"),
            Sample(at, f"device:{mac}", "rtt_s", 0.0001234567 * number),
        ]
    return seen


def _read(store: Store, now: datetime) -> list[Any]:
    """Give all that a judgement reads of what was observed."""
    since, until = now - HOUR, now + SECOND
    return [
        store.series_all(since, until),
        store.last_stays(since),
        store.presence(since, until),
        store.notices(since, until),
        store.health(),
        {device.mac: device.last_at for device in store.devices(now)},
    ]


@pytest.mark.parametrize("seed", range(5))
def test_readers_see_what_goes_on_as_they_will_when_it_is_committed(store: Store, clock: Clock, seed: int) -> None:
    """Where nothing is news, a flush changes nothing that a judgement reads, whatever waits and in whatever order."""
    dice = random.Random(seed)
    store.write(_all(clock.now))
    store.flush(clock.now)
    for _ in range(3):
        waits = [
            one
            for second in range(1, 120, 7)
            for one in _all(clock.now + second * SECOND)
            # Half of them, and each lost sample too.
            if dice.random() < 0.5
        ]
        waits += [Sample(clock.now + 3 * SECOND, f"device:{mac}", "rtt_s", None) for mac in MACS[:3]]
        clock.forward(seconds=120)
        dice.shuffle(waits)
        store.write(waits)
        assert store.waiting() == len(waits)
        assert not store.has_news()
        before = _read(store, clock.now)
        store.flush(clock.now)
        assert _read(store, clock.now) == before


def _news(at: datetime) -> list[Observation]:
    return [
        Sighting(at, "home", "02:00:00:00:01:00", None, How.ARP),
        Sighting(at, "barn", MACS[0], None, How.ARP),
        Sighting(at, "home", MACS[0], "192.168.7.99", How.ARP),
        Sighting(at + timedelta(seconds=TOLERANCE_S + 1), "home", MACS[0], None, How.ARP),
        Naming(at, MACS[0], "another", How.DHCP),
        Naming(at, MACS[0], "gadget-0", How.MDNS),
        Notice(at, f"device:{MACS[0]}", "announced", (("service", "_ipp._tcp"),)),
        Notice(at, "segment:home", "announced", (("service", "_http._tcp"),)),
        Health(at, "echo:0", good=False, reason="cable out"),
        Health(at, "listen:home", good=True, reason=""),
    ]


@pytest.mark.parametrize("which", range(10))
def test_what_is_new_is_committed_within_a_minute(store: Store, clock: Clock, which: int) -> None:
    """A device, a segment, an address, a name, a word, a coming back, a change of a source: due a minute after the commit."""
    store.write(_all(clock.now))
    store.flush(clock.now)
    committed = clock.now
    store.write(_all(clock.forward(seconds=10)))
    assert not store.has_news()
    store.write([_news(clock.now)[which]])
    assert store.has_news()
    assert not store.due(committed + timedelta(seconds=59))
    assert store.due(committed + timedelta(seconds=60))
    store.flush(clock.forward(seconds=50))
    assert not store.has_news()


def test_what_goes_on_is_committed_every_two_minutes(store: Store, clock: Clock) -> None:
    """However often known devices answer, a watch that asks each five seconds commits thirty times an hour."""
    for _ in range(720):
        store.write(_all(clock.forward(seconds=5)))
        if store.due(clock.now):
            store.flush(clock.now)
    # The first, of what was new then, and one every 120 s of the 3,600 s.
    assert store.counters.commits == 30


def test_what_can_not_be_kept_is_not_read_either(store: Store, clock: Clock) -> None:
    """A moment without a time zone and a value that is no number neither show nor break the reading."""
    store.write(_all(clock.now))
    store.flush(clock.now)
    before = _read(store, clock.now)
    naive = clock.now.replace(tzinfo=None)
    store.write(_all(naive))
    store.write(Sample(clock.now, f"device:{MACS[0]}", "rtt_s", value) for value in (float("nan"), float("inf")))
    assert not store.has_news()
    assert _read(store, clock.now) == before


def test_a_source_is_told_of_one_moment_though_a_commit_comes_between(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who asks how a source does while another thread commits its failure is told of before or of after, of no mixture."""
    store.write(_all(clock.now))
    store.flush(clock.now)
    before = store.health()
    read_conditions = read.conditions

    def overtaken(connection: Connection, site: int) -> list[Condition]:
        found = read_conditions(connection, site)
        store.write([Health(clock.forward(seconds=60), "echo:0", good=False, reason="cable out")])
        store.flush(clock.now)
        return found

    monkeypatch.setattr(read, "conditions", overtaken)
    told = store.health()
    monkeypatch.undo()
    assert told in (before, store.health())
