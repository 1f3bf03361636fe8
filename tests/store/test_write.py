"""Writing: what goes in comes out, nothing twice, nothing without bound, and a failure loses nothing."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from netaudit.errors import StoreError
from netaudit.observe.observation import Health, How, Naming, Notice, Sample, Sighting
from netaudit.store import batch, write
from netaudit.store.records import Condition, Heard, Interval, Reading
from netaudit.store.store import Store
from netaudit.store.upsert import TOGETHER

if TYPE_CHECKING:
    from tests.clock import Clock

MAC = "00:00:5e:00:53:01"
OTHER = "00:00:5e:00:53:02"
HOUR = timedelta(hours=1)


def test_samples_come_back_as_they_went_in(store: Store, clock: Clock) -> None:
    """Answered and unanswered samples come back at their second and to a millionth of a second, oldest first."""
    # 0.1234567 s is finer than the step in which round trips are kept (1 us)
    for value in (0.000412, None, 0.1234567, 0.0):
        store.write([Sample(clock.forward(minutes=1), "device:a", "rtt_s", value)])
    store.flush(clock.now)
    got = store.series("device:a", "rtt_s", clock.now - HOUR, clock.now + HOUR)
    assert [one.value for one in got] == [0.000412, None, 0.123457, 0.0]
    assert [one.at for one in got] == [clock.now - timedelta(minutes=left) for left in (3, 2, 1, 0)]
    assert store.latest("device:a", "rtt_s") == Reading(clock.now, 0.0)
    assert store.latest("device:b", "rtt_s") is None


@pytest.mark.parametrize(
    ("kind", "value", "step"),
    [
        ("rx_bps", 999_999_999_999.0, 1.0),
        ("power_w", 12.345, 1e-3),
        ("busy_share", 0.27843, 1e-5),
        ("signal_dbm", -67.5, 0.1),
        ("stations", 31.0, 0.01),
        ("wobble", 1 / 3, 0.0),
    ],
)
def test_each_unit_keeps_its_resolution(store: Store, clock: Clock, kind: str, value: float, step: float) -> None:
    """A value comes back within half the step of its unit; a unit nobody knows is kept as it is."""
    store.write([Sample(clock.now, "radio:attic/2.4", kind, value)])
    store.flush(clock.now)
    got = store.latest("radio:attic/2.4", kind)
    assert got is not None
    assert got.value == pytest.approx(value, rel=1e-15, abs=step / 2)


def test_one_series_has_one_value_a_second(store: Store, clock: Clock) -> None:
    """Of two samples in one second the later to arrive stays, in one flush and across two."""
    store.write([Sample(clock.now, "device:a", "rtt_s", 0.1), Sample(clock.now, "device:a", "rtt_s", 0.2)])
    store.flush(clock.now)
    assert store.latest("device:a", "rtt_s") == Reading(clock.now, 0.2)
    store.write([Sample(clock.now + timedelta(milliseconds=300), "device:a", "rtt_s", None)])
    store.flush(clock.now)
    assert store.series("device:a", "rtt_s", clock.now, clock.now + HOUR) == [Reading(clock.now, None)]


def test_presence_is_exact_at_once_and_after_a_clean_stop(address: str, clock: Clock) -> None:
    """The end of an interval is right to the second in this process at any time, and for everyone after close."""
    began = clock.now
    with Store.open(address, site="home", clock=clock, tolerance=lambda _mac: 120) as store:
        for _ in range(11):
            store.write([Sighting(clock.forward(seconds=60), "lan", MAC, "192.168.7.5", How.ARP)])
            store.flush(clock.now)
        inside = Interval(MAC, "lan", began + timedelta(seconds=60), clock.now)
        assert store.present(clock.now, timedelta(seconds=30)) == [inside]
        assert store.present(clock.now + timedelta(seconds=31), timedelta(seconds=30)) == []
        store.write([Sighting(clock.forward(seconds=121), "lan", MAC, None, How.HEARD)])
        store.flush(clock.now)
        both = [inside, Interval(MAC, "lan", clock.now, clock.now)]
        assert store.presence(began, clock.now + HOUR) == both
    with Store.open(address, site="home", clock=clock) as store:
        assert store.presence(began, clock.now + HOUR, MAC) == both
        (device,) = store.devices(clock.now)
        assert (device.first_at, device.last_at) == (inside.since, clock.now)
        assert device.addresses[0].last_at == inside.until


def test_an_interval_goes_on_over_a_restart(address: str, clock: Clock) -> None:
    """A device that is seen again within its tolerance after a restart never left."""
    began = clock.now
    for _ in range(3):
        with Store.open(address, site="home", clock=clock) as store:
            store.write([Sighting(clock.now, "lan", MAC, None, How.ARP)])
            store.flush(clock.now)
        clock.forward(minutes=10)
    with Store.open(address, site="home", clock=clock) as store:
        assert store.presence(began, clock.now) == [Interval(MAC, "lan", began, began + timedelta(minutes=20))]


def test_ends_of_intervals_are_written_seldom(tmp_path_factory: pytest.TempPathFactory, clock: Clock) -> None:
    """Sighted each half minute for an hour, a device costs a dozen commits that touch presence, not 120."""
    path = tmp_path_factory.mktemp("s") / "store.db"
    with Store.open(path, site="home", clock=clock) as store:
        statements: list[str] = []
        event.listen(store._engine, "before_cursor_execute", lambda _c, _u, text, *_: statements.append(text))
        for _ in range(120):
            store.write([Sighting(clock.forward(seconds=30), "lan", MAC, None, How.ARP)])
            store.flush(clock.now)
        written = [text for text in statements if text.startswith("INSERT INTO present")]
        # 3,600 s / 300 s, one more for the beginning
        assert 12 <= len(written) <= 14


def test_names_addresses_and_notices_are_kept_once(store: Store, clock: Clock) -> None:
    """Said a hundred times, a name, an address and a notice are one row each, with their first and last time."""
    began = clock.now
    said = (("server", "192.168.7.1"),)
    for _ in range(100):
        at = clock.forward(minutes=2)
        store.write(
            [
                Naming(at, MAC, "printer", How.MDNS),
                Sighting(at, "lan", MAC, "192.168.7.5", How.ARP),
                Notice(at, "segment:lan", "dhcp_server", said),
            ]
        )
        store.flush(at)
    store._writer.flush(clock.now, last=True)
    first = began + timedelta(minutes=2)
    (device,) = store.devices(clock.now)
    assert [(one.name, one.origin, one.first_at, one.last_at) for one in device.names] == [
        ("printer", "mdns", first, clock.now)
    ]
    assert [(one.address, one.segment) for one in device.addresses] == [("192.168.7.5", "lan")]
    heard = Heard("segment:lan", "dhcp_server", said, first, clock.now, 100)
    assert store.notices(began, clock.now) == [heard]
    assert store.notices(began, clock.now, "firmware") == []


def test_health_is_one_row_from_change_to_change(store: Store, clock: Clock) -> None:
    """Each source says how it does since when; its latest attempt is known at once."""
    began = clock.now
    for good in (True, True, False, False, False):
        store.write([Health(clock.now, "sweep", good, "" if good else "no such interface")])
        store.flush(clock.now)
        clock.forward(minutes=1)
    turned = began + timedelta(minutes=2)
    latest = Condition(
        "sweep", good=False, reason="no such interface", since=turned, until=turned + timedelta(minutes=2)
    )
    assert store.health() == [latest]


def test_a_failed_flush_loses_nothing_and_keeps_nothing_half(store: Store, clock: Clock) -> None:
    """Whatever statement of a flush fails, nothing of it is kept, and the next flush keeps all of it."""
    began = clock.now

    def observed(minute: int) -> list[Sighting | Sample | Naming | Health]:
        at = began + timedelta(minutes=minute)
        return [
            Sighting(at, "lan", MAC if minute % 2 else OTHER, f"192.168.7.{minute}", How.ARP),
            Sample(at, f"device:{minute}", "rtt_s", 0.001),
            Naming(at, MAC, f"name-{minute}", How.MDNS),
            Health(at, "sweep", minute % 3 == 0, ""),
        ]

    state = {"left": 0}

    def fail(_connection: object, _cursor: object, text: str, *_: object) -> None:
        state["left"] -= 1
        if state["left"] == 0:
            raise OperationalError(text, None, RuntimeError("the plug was pulled"))

    event.listen(store._engine, "before_cursor_execute", fail)
    failures = 0
    for minute in range(1, 25):
        clock.now = began + timedelta(minutes=minute)
        store.write(observed(minute))
        state["left"] = minute  # a later statement each time; past the last one nothing fails
        try:
            store.flush(clock.now)
        except StoreError:
            failures += 1
    state["left"] = 0
    store.flush(clock.now)
    assert failures > 5
    assert (store.counters.failed, store.waiting(), store.counters.written) == (failures, 0, 24 * 4)
    assert len(store.places("rtt_s")) == 24
    found = store.devices(clock.now)
    assert sorted(len(device.addresses) for device in found) == [12, 12]
    assert [len(device.names) for device in found] == [24, 0]
    assert len(store.presence(began, clock.now)) == 2


def test_what_is_out_of_bounds_is_refused_and_counted(store: Store, clock: Clock) -> None:
    """A moment without a zone, from tomorrow or from before what is kept, no number, a word too long: counted, not kept."""
    now = clock.now
    naive = datetime(2026, 1, 5, 10)  # noqa: DTZ001 - this is what is tested
    store.write(
        [
            Sample(naive, "device:a", "rtt_s", 0.1),
            Sample(now, "device:a", "rtt_s", math.nan),
            Sample(now, "device:a", "rtt_s", math.inf),
            Sample(now + timedelta(days=1), "device:a", "rtt_s", 0.1),
            Sample(now, "x" * 300, "rtt_s", 0.1),
            Sighting(naive, "lan", MAC, None, How.ARP),
            Sighting(now + timedelta(days=1), "lan", MAC, None, How.ARP),
            Naming(now, MAC, "x" * 256, How.MDNS),
            Naming(now, MAC, "\0\0", How.DHCP),
            Notice(now, "segment:lan", "lldp_neighbour", (("text", "x" * 5000),)),
            Sample(now - timedelta(days=30), "device:a", "rtt_s", 0.1),
        ]
    )
    store.flush(now)
    assert (store.counters.written, store.counters.refused, store.counters.too_old) == (0, 10, 1)
    assert store.series("device:a", "rtt_s", now - timedelta(days=60), now + timedelta(days=60)) == []


def test_a_flood_of_invented_devices_stops_at_the_bound(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the bound new MACs, and new addresses and names of one device, are refused; what is known goes on."""
    monkeypatch.setattr(batch, "MAX_DEVICES", 20)
    monkeypatch.setattr(batch, "MAX_OF_ONE", 5)
    monkeypatch.setattr(batch, "MAX_NOTICES", 3)
    now = clock.now
    for number in range(50):
        store.write([Sighting(now, "lan", f"02:00:00:00:00:{number:02x}", None, How.ARP)])
        store.write([Sighting(now, "lan", "02:00:00:00:00:01", f"fd00::{number:x}", How.ND)])
        store.write([Naming(now, "02:00:00:00:00:01", f"name-{number}", How.MDNS)])
        store.write([Notice(now, "segment:lan", "neighbour", (("n", str(number)),))])
    store.flush(now)
    devices = store.devices(now)
    assert len(devices) == 20
    assert (len(devices[1].addresses), len(devices[1].names)) == (5, 5)
    assert len(store.notices(now, now + HOUR)) == 3
    assert store.counters.refused == 30 + 45 + 45 + 47


def test_odd_words_from_the_wire_are_kept_without_harm(store: Store, clock: Clock) -> None:
    """Half a surrogate pair, a NUL and a quote in a name trouble neither database."""
    for name in ("tv\0", "half\ud800", "Robert'); --", "émile 📺"):
        store.write([Naming(clock.now, MAC, name, How.MDNS)])
    store.flush(clock.now)
    (device,) = store.devices(clock.now)
    assert {one.name for one in device.names} == {"tv", "half?", "Robert'); --", "émile 📺"}


def test_a_full_buffer_lets_the_oldest_go_and_says_so(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no flush the buffer holds the latest and counts what it let go."""
    monkeypatch.setattr(write, "BUFFER", 100)
    for number in range(250):
        store.write([Sample(clock.now + timedelta(seconds=number), "device:a", "rtt_s", number / 1000)])
    assert (store.waiting(), store.counters.dropped) == (100, 150)
    store.flush(clock.now)
    got = store.series("device:a", "rtt_s", clock.now, clock.now + HOUR)
    assert [one.value for one in got] == [number / 1000 for number in range(150, 250)]


def test_due_keeps_commits_two_minutes_apart(store: Store, clock: Clock) -> None:
    """A daemon that asks each second commits numbers once in two minutes, however many come in."""
    for _ in range(600):
        store.write([Sample(clock.forward(seconds=1), "device:a", "rtt_s", 0.1)])
        if store.due(clock.now):
            store.flush(clock.now)
    assert store.counters.commits == 5
    assert not store.due(clock.now)


# one below, at and above what goes in one statement, twice as much, and none that is left over
@pytest.mark.parametrize("count", [1, TOGETHER - 1, TOGETHER, TOGETHER + 1, 2 * TOGETHER, 2 * TOGETHER + 23])
def test_any_number_of_samples_is_written_in_any_order(store: Store, clock: Clock, count: int) -> None:
    """However many come in one flush and in whatever order, each is kept once, and where one was already it gives way."""
    now, dice = clock.now, random.Random(count)
    for turn in (1, 2):
        given = [Sample(now - timedelta(seconds=n), "device:a", "rtt_s", turn * n / 1000) for n in range(count)]
        dice.shuffle(given)
        store.write(given)
        store.flush(now)
        got = store.series("device:a", "rtt_s", now - HOUR, now + HOUR)
        kept = [(now - timedelta(seconds=n), turn * n / 1000) for n in reversed(range(count))]
        assert [(one.at, one.value) for one in got] == kept
    assert store.counters.written == 2 * count


def test_a_moment_in_another_zone_is_the_same_moment(store: Store, clock: Clock) -> None:
    """A sample whose moment is told in local time, with its fraction of a second, is kept at its second in UTC."""
    # 15:29:59.9 at +05:30 is 09:59:59.9 UTC
    told = datetime(2026, 1, 5, 15, 29, 59, 900_000, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    store.write([Sample(told, "device:a", "rtt_s", 0.1)])
    store.flush(clock.now)
    assert store.latest("device:a", "rtt_s") == Reading(datetime(2026, 1, 5, 9, 59, 59, tzinfo=UTC), 0.1)
