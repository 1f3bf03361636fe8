"""Many sites from one store: from a folder of files and from a PostgreSQL with its row security in force."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from contextlib import closing
from datetime import timedelta
from hashlib import sha256
from typing import TYPE_CHECKING

import psycopg
import pytest

from netaudit.cli import main
from netaudit.errors import StoreError
from netaudit.publish.fleet import folder_of
from netaudit.publish.fleet_page import make_fleet_app
from netaudit.store.fleet import Fleet, admit_reader
from netaudit.store.ship import admit
from netaudit.store.store import Store
from netaudit.store.trouble import StoreBusy
from tests.store.fleet_samples import DEVICES, HOSTILE, LAST_HEARD, NOW, SILENT, SOUND, fill, folder_of_three, plan_of
from tests.store.roles import as_role, living

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from starlette.types import Message

    from tests.clock import Clock

ROLES = {SOUND: "fleet_box1", HOSTILE: "fleet_box2", SILENT: "fleet_box3"}
READERS = ("fleet_reader", "fleet_second")


@pytest.fixture
def centre(central: str, tmp_path: Path) -> Iterator[str]:
    """Give a centre to which three boxes have shipped, as its owner."""
    folder = folder_of_three(tmp_path)
    with living(central, *ROLES.values(), *READERS):
        for (site, role), file in zip(ROLES.items(), ("mill", "sons", "barn"), strict=True):
            admit(central, site, role, int(NOW.timestamp()))
            with Store.open(folder / f"{file}.db", site=site, clock=lambda: NOW) as store:
                store.ship(as_role(central, role), NOW)
        yield central


def test_a_folder_and_a_centre_tell_the_same_of_each_site(centre: str, tmp_path: Path) -> None:
    """Devices, open findings by rule and the moment a box was heard last are those that the boxes kept, in both."""
    admit_reader(centre, READERS[0])
    with (
        Fleet.open(str(tmp_path), clock=lambda: NOW) as files,
        Fleet.open(as_role(centre, READERS[0]), clock=lambda: NOW) as shipped,
    ):
        for fleet in (files, shipped):
            found = {one.name: one for one in fleet.news()}
            assert {name: one.heard_at for name, one in found.items()} == LAST_HEARD
            assert {name: one.devices for name, one in found.items()} == DEVICES
            assert found[HOSTILE].open == {"address_twice": 1, "outgrown": 1}
            assert found[HOSTILE].quiet == 1
            assert found[SOUND].open == {}
            for one in found.values():
                assert fleet.one(one.key) == one
                plan = fleet.store(one.key).plan()
                assert plan is not None
                assert plan.document == plan_of(one.name)
        assert [one.name for one in files.news()] == [one.name for one in shipped.news()]
        assert [one.key for one in files.news()] == ["sons", "mill", "barn"]


def test_a_reader_sees_all_and_writes_nothing(centre: str) -> None:
    """Without the rule row security shows a role no site; with it all three; not even its own transaction may write."""
    for reader in READERS:
        with psycopg.connect(centre, autocommit=True) as connection:
            connection.execute(f"GRANT SELECT ON ALL TABLES IN SCHEMA public TO {reader}")
        with Fleet.open(as_role(centre, reader), clock=lambda: NOW) as fleet:
            assert fleet.news() == []
    for reader in (*READERS, READERS[0]):
        admit_reader(centre, reader)
    for reader in READERS:
        address = as_role(centre, reader)
        with Fleet.open(address, clock=lambda: NOW) as fleet:
            assert {one.name for one in fleet.news()} == set(ROLES)
            key = fleet.news()[0].key
            with pytest.raises(StoreError, match="read-only transaction"):
                fleet.store(key).save_plan("other", NOW)
        with psycopg.connect(address, autocommit=True) as connection:
            for table in ("findings", "plans", "samples", "sites"):
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    connection.execute(f"DELETE FROM {table}")  # noqa: S608 - our own names
    # A box is let see no more than before.
    with Fleet.open(as_role(centre, ROLES[SOUND]), clock=lambda: NOW) as fleet:
        assert [one.name for one in fleet.news()] == [SOUND]


def test_a_question_that_hangs_is_broken_off(centre: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """While somebody holds a table locked the list ends in one line that says what to do; afterwards it is read again."""
    monkeypatch.setattr("netaudit.store.fleet.ANSWER_MS", 200)
    admit_reader(centre, READERS[0])
    with Fleet.open(as_role(centre, READERS[0]), clock=lambda: NOW) as fleet:
        with psycopg.connect(centre) as other:
            other.execute("LOCK TABLE findings IN ACCESS EXCLUSIVE MODE")
            with pytest.raises(StoreBusy, match="statement timeout: see what locks"):
                fleet.news()
        assert {one.name for one in fleet.news()} == set(ROLES)


def test_only_the_owner_of_a_centre_admits_readers(centre: str, tmp_path: Path) -> None:
    """A box's role, a role that is none, and a file are refused in one line."""
    with pytest.raises(StoreError, match=r"permission denied|must be owner"):
        admit_reader(as_role(centre, ROLES[SOUND]), READERS[0])
    with pytest.raises(StoreError, match="nobody_at_all"):
        admit_reader(centre, "nobody_at_all")
    with pytest.raises(StoreError, match="the centre is a PostgreSQL"):
        admit_reader(str(tmp_path / "mill.db"), READERS[0])


def test_reports_of_all_sites_come_from_the_centre(
    centre: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`report --all` as the reader writes a report of each site and one list, judged and drawn by the shipped plans."""
    assert main(["serve", centre, "--admit", READERS[0]]) == 0
    assert "may read all sites and write nothing" in capsys.readouterr().out
    out = tmp_path / "out"
    store = as_role(centre, READERS[0])
    assert main(["report", "--all", "--store", store, "--out", str(out), "--week", "2026-W11"]) == 0
    said = capsys.readouterr().out
    page = (out / "sites-2026-W11.html").read_text("utf-8")
    assert len(list(out.glob("*/week-2026-W11.html"))) == len(ROLES)
    for name in (SOUND, SILENT):
        assert name in page
        assert f"{name}: silent" in said
    assert "<script" not in page


def test_the_page_is_served_from_the_centre(centre: str) -> None:
    """The list and every page of every site answer, read by the reader's role."""
    admit_reader(centre, READERS[0])
    with Fleet.open(as_role(centre, READERS[0]), clock=lambda: NOW) as fleet:
        app = make_fleet_app(fleet, now=lambda: NOW)

        async def get(path: str) -> tuple[int, str]:
            sent: list[Message] = []

            async def receive() -> Message:
                return {"type": "http.request", "body": b"", "more_body": False}

            async def send(message: Message) -> None:
                sent.append(message)

            scope = {"type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": b"",
                     "root_path": "", "scheme": "http", "http_version": "1.1", "headers": [(b"host", b"localhost")],
                     "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 1)}  # fmt: skip
            await app(scope, receive, send)
            return sent[0]["status"], b"".join(part.get("body", b"") for part in sent[1:]).decode()

        status, listed = asyncio.run(get("/"))
        assert status == 200
        for one in fleet.news():
            assert f"/site/{one.key}/" in listed
            for path in ("", "findings", "devices", "networks", "ledger", "drawing", "drawing.svg", "reports/", "move"):
                status, page = asyncio.run(get(f"/site/{one.key}/{path}"))
                assert status == 200, (path, page)


def test_a_plan_that_was_taken_back_is_taken_back_at_the_centre(centre: str, tmp_path: Path) -> None:
    """A box that goes to another plan and back ships which of the two holds, though both texts were sent before."""
    admit_reader(centre, READERS[0])
    other = plan_of(SOUND).replace("attic", "cellar")
    with (
        Store.open(tmp_path / "mill.db", site=SOUND, clock=lambda: NOW) as store,
        Fleet.open(as_role(centre, READERS[0]), clock=lambda: NOW) as fleet,
    ):
        (key,) = (one.key for one in fleet.news() if one.name == SOUND)
        for minute, text in enumerate((other, plan_of(SOUND), other)):
            store.save_plan(text, NOW + timedelta(minutes=minute))
            store.ship(as_role(centre, ROLES[SOUND]), NOW + timedelta(minutes=minute))
            held = fleet.store(key).plan()
            assert held is not None
            assert held.document == text


def test_what_cannot_be_read_is_listed_with_the_reason(tmp_path: Path) -> None:
    """A file that is none, one of an older schema and an empty one stand beside those that can be read."""
    fill(tmp_path / "mill.db", SOUND)
    (tmp_path / "noise.db").write_bytes(os.urandom(8192))
    (tmp_path / "empty.db").touch()
    (tmp_path / "notes.txt").write_text("no store")
    with Fleet.open(str(tmp_path), clock=lambda: NOW) as fleet:
        found = {one.key: one for one in fleet.news()}
    assert set(found) == {"mill", "noise", "empty"}
    assert found["mill"].trouble == ""
    assert "no SQLite database" in found["noise"].trouble
    assert "has schema 0" in found["empty"].trouble
    assert (tmp_path / "empty.db").stat().st_size == 0


@pytest.mark.parametrize("until", [-1, -(10**11), -(10**17), 10**17])
def test_no_box_takes_the_list_from_the_others(centre: str, until: int) -> None:
    """A box whose rows have moments that no calendar has was never heard; the others are read as ever."""
    with psycopg.connect(as_role(centre, ROLES[SILENT]), autocommit=True) as box:
        for table in ("health", "present"):
            assert box.execute(f"UPDATE {table} SET until = {until}").rowcount  # noqa: S608 - our own words
        box.execute("DELETE FROM samples")
    with Fleet.open(centre, clock=lambda: NOW) as fleet:
        assert {one.name: one.heard_at for one in fleet.news()} == LAST_HEARD | {SILENT: None}


def test_a_file_with_two_sites_takes_no_other_files_place(tmp_path: Path) -> None:
    """No program of ours writes one; it is listed as what can't be read, and the file of that name is shown."""
    fill(tmp_path / "mill.db", SILENT)
    fill(tmp_path / "mill-2.db", SOUND)
    with closing(sqlite3.connect(tmp_path / "mill.db")) as spoilt:
        spoilt.execute("INSERT INTO sites (id, name) VALUES (2, 'another')")
        spoilt.commit()
    with Fleet.open(str(tmp_path), clock=lambda: NOW) as fleet:
        assert {one.key: one.name for one in fleet.news() if not one.trouble} == {"mill-2": SOUND}
        assert fleet.store("mill-2").site == SOUND


def test_a_number_as_a_file_name_has_a_folder_of_its_own(tmp_path: Path) -> None:
    """Two sites' reports never go into one folder, however their files and they themselves are called."""
    fill(tmp_path / "7.db", SOUND)
    fill(tmp_path / "mill-7.db", SILENT)
    with Fleet.open(str(tmp_path), clock=lambda: NOW) as fleet:
        assert len({folder_of(one.key, one.name) for one in fleet.news()}) == 2
        for one in fleet.news():
            assert fleet.one(one.key) == one


def test_a_folder_is_read_as_it_is(tmp_path: Path) -> None:
    """Reading changes no octet of a file, makes none beside it that stays, and can't write; a later file is found."""
    fill(tmp_path / "mill.db", SOUND)
    before = sha256((tmp_path / "mill.db").read_bytes()).hexdigest()
    with Fleet.open(str(tmp_path), clock=lambda: NOW) as fleet:
        assert [one.name for one in fleet.news()] == [SOUND]
        with pytest.raises(StoreError, match="read-only"):
            fleet.store("mill").save_plan("other", NOW)
        assert fleet.one("barn") is None
        with pytest.raises(StoreError, match="no site barn"):
            fleet.store("barn")
        fill(tmp_path / "MILL!.db", SILENT)
        assert {one.name for one in fleet.news()} == {SOUND, SILENT}
        assert len({one.key for one in fleet.news()}) == 2
    assert sha256((tmp_path / "mill.db").read_bytes()).hexdigest() == before


def test_one_file_is_a_fleet_of_one(tmp_path: Path) -> None:
    """A file is read alone; a path to nothing is told and nothing is made there."""
    fill(tmp_path / "mill.db", SOUND)
    fill(tmp_path / "barn.db", SILENT)
    with Fleet.open(str(tmp_path / "barn.db"), clock=lambda: NOW) as fleet:
        assert [one.name for one in fleet.news()] == [SILENT]
    with pytest.raises(StoreError, match="is not there"):
        Fleet.open(str(tmp_path / "none.db"), clock=lambda: NOW)
    assert not (tmp_path / "none.db").exists()


def test_a_plan_that_holds_again_is_the_one_that_holds(address: str, clock: Clock) -> None:
    """From one plan to another and back, the first holds; the same again writes nothing. In both databases."""
    with Store.open(address, site="home", clock=clock) as store:
        assert store.plan() is None
        for text in ("one", "two", "one", "one"):
            store.save_plan(text, clock.forward(hours=1))
            plan = store.plan()
            assert plan is not None
            assert plan.document == text
        assert [one.document for one in store.plans()] == ["two", "one"]
        assert plan is not None
        held = plan.at
        store.save_plan("one", clock.forward(hours=1))
        plan = store.plan()
        assert plan is not None
        assert plan.at == held
