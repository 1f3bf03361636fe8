"""Shipping to the centre: nothing lost, nothing twice, whatever breaks; and a box touches its own site only."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import psycopg
import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from netaudit.errors import StoreError
from netaudit.observe.observation import Health, How, Naming, Notice, Sample, Sighting
from netaudit.store import ship as subject
from netaudit.store.engine import connect
from netaudit.store.part import drop_parts, make_parts
from netaudit.store.ship import admit
from netaudit.store.store import Store
from tests.store.roles import as_role, living

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Engine

    from tests.clock import Clock

DAY = timedelta(days=1)
TABLES = {
    "devices": "mac, first_at, last_at",
    "series": "kind, place, quantum",
    "notices": "kind, place, detail, first_at, last_at, times",
    "health": "source, since, until, good, reason",
    "findings": "key, opened_at, updated_at, closed_at, evidence",
    "baselines": "name, document",
    "plans": "sha256, document",
    "certificates": "sha256, document",
    "addresses": "(SELECT mac FROM devices AS d WHERE d.id = device AND d.site = t.site), segment, address, first_at, last_at",
    "names": "(SELECT mac FROM devices AS d WHERE d.id = device AND d.site = t.site), name, origin, first_at, last_at",
    "present": "(SELECT mac FROM devices AS d WHERE d.id = device AND d.site = t.site), segment, since, until",
    "presence": "(SELECT mac FROM devices AS d WHERE d.id = device AND d.site = t.site), segment, since, until",
} | {
    table: f"key >> 16, (SELECT place || kind FROM series AS s WHERE s.id = (key & 65535) AND s.site = t.site), {values}"  # noqa: S608 - our own words
    for table, values in (
        ("samples", "value"),
        ("hourly", "asked, lost, low, mean, p50, p95, high"),
        ("daily", "asked, lost, low, mean, p50, p95, high"),
    )
}


def content(engine: Engine, site: int, table: str) -> list[tuple[Any, ...]]:
    """Give what a table says of a site, with names in the place of numbers."""
    text = f"SELECT {TABLES[table]} FROM {table} AS t WHERE t.site = {site}"  # noqa: S608 - our own words
    with engine.connect() as connection:
        rows = connection.exec_driver_sql(text).all()
    return sorted((tuple(row) for row in rows), key=repr)


@pytest.fixture
def owner(central: str, clock: Clock) -> Iterator[str]:
    """Give a centre with the roles box1 (site home) and box2 (site barn), as its owner."""
    with living(central, "box1", "box2"):
        for role, site in (("box1", "home"), ("box2", "barn")):
            admit(central, site, role, int(clock.now.timestamp()))
        yield central


@pytest.fixture
def centre(owner: str) -> str:
    """Give the centre as the box of the site home sees it."""
    return as_role(owner, "box1")


def live(store: Store, clock: Clock, hours: float, dice: random.Random) -> None:
    """Let a site live: everything that is kept is written, changed and ended."""
    for minute in range(0, int(hours * 60), 5):
        at = clock.forward(minutes=5)
        for number in range(6):
            mac = f"00:00:5e:00:53:{number:02x}"
            if dice.random() < 0.8:
                store.write([Sample(at, f"device:{mac}", "rtt_s", dice.choice([None, 0.001, 0.02]))])
            if dice.random() < (0.05 if number < 3 else 0.9):
                store.write([Sighting(at, "lan", mac, f"192.168.7.{number}", How.ARP)])
                store.write([Naming(at, mac, f"name-{number}", How.MDNS)])
        store.write([Notice(at, "segment:lan", "dhcp_server", (("server", f"192.168.7.{dice.randrange(3)}"),))])
        store.write([Sample(at, "segment:lan", "wobble", dice.random() / 3)])  # of no known unit: every digit counts
        store.write([Health(at, "sweep", dice.random() < 0.7, "")])
        store.flush(at)
        if dice.random() < 0.2:
            key = f"k{dice.randrange(4)}"
            if not store.close_finding(key, at):
                store.save_finding(key=key, rule="r", place="p", text="t", evidence={"minute": minute}, at=at)
    store.save_baseline("before", f"{clock.now}", clock.now)
    store.save_plan(f"plan {clock.now:%d}", clock.now)
    store.save_certificate(f"all good {clock.now:%d}", clock.now)
    store.rollup(clock.now)


def assert_same(here: Store, owner: str, clock: Clock, site: str = "home") -> None:
    """Assert that the centre says of the site what the box says, but for the samples that have still to settle."""
    with Store.open(owner, site=site, clock=clock) as far:
        for table in TABLES:
            mine = content(here._engine, here._site, table)
            if table == "samples":
                mine = [row for row in mine if row[0] < int(clock.now.timestamp()) - 180]
            assert content(far._engine, far._site, table) == mine, table
            assert mine, table


def test_the_centre_says_what_the_box_says(tmp_path: Path, owner: str, centre: str, clock: Clock) -> None:
    """After each of several shipments, table by table; a shipment with nothing new sends nothing new."""
    dice = random.Random(11)
    with Store.open(tmp_path / "home.db", site="home", clock=clock) as store:
        for hours in (30, 3, 26):
            live(store, clock, hours, dice)
            sent = store.ship(centre, clock.now)
            assert sent["samples"] > 0
            assert_same(store, owner, clock)
        assert not set(store.ship(centre, clock.now)) & {"samples", "hourly", "daily", "findings", "names"}
        # what comes late goes too
        late = clock.now - timedelta(hours=20)
        store.write([Sample(late, "device:00:00:5e:00:53:00", "rtt_s", 0.7)])
        store.flush(clock.now)
        store.rollup(clock.now)
        assert store.ship(centre, clock.now)["samples"] > 0
        assert_same(store, owner, clock)


def test_whatever_breaks_the_next_shipment_makes_it_whole(
    tmp_path: Path, owner: str, centre: str, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken off at statement after statement, here and there, it goes on each time; in the end all is there once."""
    monkeypatch.setattr(subject, "CHUNK", 40)
    state = {"left": 0}

    def fail(_connection: object, _cursor: object, text: str, *_: object) -> None:
        state["left"] -= 1
        if state["left"] == 0:
            raise OperationalError(text, None, RuntimeError("the line went dead"))

    def watched(url: Any) -> Engine:
        engine = connect(url)
        event.listen(engine, "before_cursor_execute", fail)
        return engine

    monkeypatch.setattr(subject, "connect", watched)
    dice, failures, statement, samples_there = random.Random(12), 0, 1, set()
    with Store.open(tmp_path / "home.db", site="home", clock=clock) as store, psycopg.connect(owner) as watcher:
        event.listen(store._engine, "before_cursor_execute", fail)
        live(store, clock, 30, dice)
        # one statement later each time, until none is left to fail at
        while True:
            state["left"] = statement
            try:
                store.ship(centre, clock.now)
            except StoreError:
                failures += 1
            else:
                break
            finally:
                state["left"] = 0
            samples_there.add(watcher.execute("SELECT count(*) FROM samples").fetchone())
            watcher.rollback()
            statement += 2
            if statement % 20 == 1:
                live(store, clock, 1, dice)
        # it broke off before the first sample, and again and again between chunks of samples
        assert failures > 20
        assert (0,) in samples_there
        assert len(samples_there) > 4
        assert_same(store, owner, clock)


def test_a_box_that_lost_its_card_goes_on(tmp_path: Path, owner: str, centre: str, clock: Clock) -> None:
    """A new, empty store that numbers everything anew mixes up nothing at the centre."""
    with Store.open(tmp_path / "old.db", site="home", clock=clock) as store:
        for name in ("a", "b", "c"):
            store.write([Sample(clock.now, f"device:{name}", "rtt_s", 0.001)])
        store.write([Sighting(clock.now, "lan", "00:00:5e:00:53:01", None, How.ARP)])
        store.save_finding(key="k", rule="r", place="p", text="t", evidence={}, at=clock.now)
        store.flush(clock.now)
        store.ship(centre, clock.forward(hours=1))
    began = clock.now
    with Store.open(tmp_path / "new.db", site="home", clock=clock) as store:
        for name in ("c", "d", "a"):
            store.write([Sample(clock.forward(minutes=1), f"device:{name}", "rtt_s", ord(name) / 1000)])
        store.write([Sighting(clock.now, "lan", "00:00:5e:00:53:02", None, How.ARP)])
        store.save_finding(key="k", rule="r", place="p", text="t", evidence={}, at=clock.now)
        store.flush(clock.now)
        store.ship(centre, clock.forward(hours=1))
    with Store.open(owner, site="home", clock=clock) as far:
        for name in ("a", "c", "d"):
            (got,) = far.series(f"device:{name}", "rtt_s", began, clock.now)
            assert got.value == ord(name) / 1000
        assert [device.mac[-2:] for device in far.devices(clock.now)] == ["01", "02"]
        assert len(far.open_findings()) == len(far.closed_findings(began - DAY, clock.now)) == 1


def test_a_forgotten_device_is_forgotten_at_the_centre_too(
    tmp_path: Path, owner: str, centre: str, clock: Clock
) -> None:
    """With the next shipment the centre knows nothing of it, and the box has forgotten that there was something."""
    gone = "00:00:5e:00:53:04"
    with Store.open(tmp_path / "home.db", site="home", clock=clock) as store:
        live(store, clock, 3, random.Random(13))
        store.ship(centre, clock.now)
        store.forget(gone)
        store.ship(centre, clock.now)
        with Store.open(owner, site="home", clock=clock) as far:
            assert gone not in [device.mac for device in far.devices(clock.now)]
            assert f"device:{gone}" not in far.places("rtt_s")
        with store._engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM forgotten").scalar_one() == 0


def test_a_box_touches_its_own_site_only(tmp_path: Path, owner: str, centre: str, clock: Clock) -> None:
    """Row security refuses rows of another site, hides them, and a box can't ship under another's name."""
    with Store.open(tmp_path / "barn.db", site="barn", clock=clock) as barn:
        live(barn, clock, 2, random.Random(14))
        barn.ship(as_role(owner, "box2"), clock.now)
        with pytest.raises(StoreError, match="doesn't let this role write the site barn"):
            barn.ship(centre, clock.now)
    with psycopg.connect(owner) as connection:
        sites: dict[str, int] = dict(connection.execute("SELECT name, id FROM sites").fetchall())
    with psycopg.connect(centre, autocommit=True) as connection:
        assert connection.execute("SELECT name FROM sites").fetchall() == [("home",)]
        for table in TABLES:
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)  # noqa: S608 - our own words
        for statement in (
            f"INSERT INTO samples (site, key, value) VALUES ({sites['barn']}, 1, 1)",  # noqa: S608 - our own words
            f"INSERT INTO plans (site, sha256, at, document, rev) VALUES ({sites['barn']}, 'x', 1, 'y', 1)",  # noqa: S608 - our own words
            "INSERT INTO sites (name, role) VALUES ('x', 'box1')",
            "UPDATE sites SET role = 'box1', name = 'barn'",
            "CREATE TABLE mine (id int)",
            "DROP TABLE samples",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement)
        connection.execute(f"INSERT INTO samples (site, key, value) VALUES ({sites['home']}, 1, 1)")  # noqa: S608 - our own words
        assert connection.execute("DELETE FROM samples").rowcount == 1
        assert connection.execute("UPDATE devices SET mac = 'x'").rowcount == 0


def test_a_role_that_was_not_admitted_is_told_who_admits_it(tmp_path: Path, owner: str, clock: Clock) -> None:
    """A role with a login and nothing else: one line, with what the owner has to do."""
    said = r"permission denied .*: a box by `netaudit store ship --admit`"
    with living(owner, "box3"), Store.open(tmp_path / "home.db", site="home", clock=clock) as store:
        with pytest.raises(StoreError, match=said) as refused:
            store.ship(as_role(owner, "box3"), clock.now)
        assert "\n" not in str(refused.value)


def test_a_centre_that_is_not_ready_is_said(tmp_path: Path, central: str, clock: Clock) -> None:
    """An empty database, a file, and a role that is not there each get their own line."""
    with Store.open(tmp_path / "home.db", site="home", clock=clock) as store:
        with pytest.raises(StoreError, match="the centre has schema 0"):
            store.ship(central, clock.now)
        with pytest.raises(StoreError, match="the centre is a PostgreSQL"):
            store.ship(str(tmp_path / "x.db"), clock.now)
        with pytest.raises(StoreError, match='role "nobody_there" does not exist'):
            admit(central, "home", "nobody_there", int(clock.now.timestamp()))


def test_months_are_parts_of_their_own(owner: str, centre: str, clock: Clock) -> None:
    """A sample lies in its month's part; parts that are past their time are dropped; making them twice makes none."""
    now_s = int(clock.now.timestamp())
    with Store.open(owner, site="home", clock=clock) as far:
        assert make_parts(far._engine, now_s) == []
        far.write([Sample(clock.now, "device:a", "rtt_s", 0.1)])
        far.flush(clock.now)
        with far._engine.connect() as connection:
            found = connection.exec_driver_sql("SELECT tableoid::regclass::text FROM samples").scalars().all()
            assert found == [f"samples_{clock.now:%Y_%m}"]
        dropped = drop_parts(far._engine, now_s, 8, 396)
        assert f"samples_{clock.now - timedelta(days=60):%Y_%m}" in dropped
        assert f"samples_{clock.now:%Y_%m}" not in dropped
        assert far.latest("device:a", "rtt_s") is not None
        # On 7 April December to February are over for samples (8 days), and the same of a year before for hours (396 days).
        assert far.prune(clock.forward(days=92))["parts"] == 6
    assert centre
