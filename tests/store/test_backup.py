"""Backups: one consistent moment of a store in use, put back only when that is safe."""

from __future__ import annotations

import errno
import os
import resource
import sqlite3
import threading
from contextlib import closing
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import StoreError
from netaudit.observe.observation import Sample
from netaudit.store import backup
from netaudit.store.backup import back_up, check, file_of, look_through, restore
from netaudit.store.store import Store
from netaudit.store.trouble import StoreBusy, StoreDamaged

if TYPE_CHECKING:
    from pathlib import Path

    from tests.clock import Clock


def write_minute(store: Store, clock: Clock) -> None:
    at = clock.forward(minutes=1)
    store.write(Sample(at, f"device:{n}", "rtt_s", 0.01) for n in range(100))
    store.flush(at)


def fill(path: Path, clock: Clock, minutes: int) -> None:
    with Store.open(path, site="home", clock=clock) as store:
        for _ in range(minutes):
            write_minute(store, clock)


def minutes_in(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        counts = connection.execute("SELECT count(*) FROM samples GROUP BY key >> 16").fetchall()
    assert set(counts) == {(100,)}
    return len(counts)


def test_a_backup_of_a_store_in_use_is_one_whole_moment(tmp_path: Path, clock: Clock) -> None:
    """While a thread goes on writing, each backup holds whole commits only, and later ones never hold less."""
    path, stop = tmp_path / "store.db", threading.Event()
    fill(path, clock, 1)
    store = Store.open(path, site="home", clock=clock)

    def write() -> None:
        while not stop.is_set():
            write_minute(store, clock)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        sizes = []
        for _ in range(5):
            done = back_up(path, tmp_path / "copy.db")
            assert (done.site, done.path.stat().st_mode & 0o777) == ("home", 0o600)
            sizes.append(minutes_in(tmp_path / "copy.db"))
    finally:
        stop.set()
        writer.join(30)
        store.close()
    assert sizes == sorted(sizes)
    assert sizes[-1] > sizes[0]
    assert not list(tmp_path.glob("*.part"))


def test_a_restored_store_is_the_one_that_was_backed_up(tmp_path: Path, clock: Clock) -> None:
    """What was written after the backup is gone from the store and still there in the file set aside."""
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 3)
    back_up(path, copy)
    fill(path, clock, 4)
    former = restore(copy, path, clock.now)
    assert former is not None
    assert (minutes_in(path), minutes_in(former), minutes_in(copy)) == (3, 7, 3)
    assert path.stat().st_mode & 0o777 == 0o600
    fill(path, clock, 2)
    assert minutes_in(path) == 5
    assert restore(copy, tmp_path / "new.db", clock.now) is None
    assert minutes_in(tmp_path / "new.db") == 3


def test_a_store_in_use_is_not_replaced(tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    """As long as anyone has the store open, restore refuses, says to stop the daemon, and changes nothing."""
    monkeypatch.setattr(backup, "_PATIENCE_S", 0.05)
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 2)
    back_up(path, copy)
    with Store.open(path, site="home", clock=clock) as store:
        with pytest.raises(StoreBusy, match="is in use: stop the daemon first"):
            restore(copy, path, clock.now)
        store.write([Sample(clock.now, "device:1", "rtt_s", 0.5)])
        store.flush(clock.now)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy.db", "store.db"]
    restore(copy, path, clock.now)


def test_a_damaged_store_can_be_replaced(tmp_path: Path, clock: Clock) -> None:
    """Noise in the place of the store doesn't keep a good backup from being put back."""
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 2)
    back_up(path, copy)
    path.write_bytes(b"x" * 10_000)
    restore(copy, path, clock.now)
    assert minutes_in(path) == 2


def test_a_damaged_backup_is_never_put_back_and_a_damaged_store_never_backed_up(tmp_path: Path, clock: Clock) -> None:
    """Both are read through before anything is touched; the older good backup stays."""
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 30)
    back_up(path, copy)
    good, kept = path.read_bytes(), copy.read_bytes()
    bad = tmp_path / "bad.db"
    bad.write_bytes(
        kept[: len(kept) // 2 // 4096 * 4096] + b"\xaa" * 4096 + kept[len(kept) // 2 // 4096 * 4096 + 4096 :]
    )
    with pytest.raises(StoreDamaged):
        restore(bad, path, clock.now)
    assert path.read_bytes() == good
    path.write_bytes(bad.read_bytes())
    with pytest.raises(StoreDamaged) as refused:
        back_up(path, copy)
    # Its copy is made first and is as damaged; it is gone when this is read.
    assert str(refused.value).startswith(f"{path}: ")
    assert copy.read_bytes() == kept
    assert check(path)[0].count("`netaudit store restore`") == 1
    assert not list(tmp_path.glob("*.part"))


def test_nothing_else_is_overwritten(tmp_path: Path, clock: Clock) -> None:
    """A target that is the store itself, a folder or somebody's file is refused; a missing store is said."""
    path, letter = tmp_path / "store.db", tmp_path / "letter.txt"
    fill(path, clock, 1)
    letter.write_text("Dear neighbour, " * 100)
    for target, said in ((path, "is the store itself"), (tmp_path, "is a folder"), (letter, "no SQLite database")):
        with pytest.raises(StoreError, match=said):
            back_up(path, target)
    with pytest.raises(StoreError, match="there is no such file"):
        back_up(tmp_path / "gone.db", tmp_path / "copy.db")
    with pytest.raises(StoreError, match="own tools"):
        file_of("postgresql://u@h/d")
    assert letter.read_text().startswith("Dear neighbour")


def test_a_backup_that_does_not_fit_names_the_disk_that_is_full(tmp_path: Path, clock: Clock) -> None:
    """A limit of the kernel that ends the writing halfway: the line names the backup, not the store; no piece is left."""
    path, target = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 20)
    # More than the shared memory beside the store (32 KiB, https://sqlite.org/walformat.html), less than the store.
    limit = 40_960
    assert path.stat().st_size > limit
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, usual[1]))
    try:
        with pytest.raises(StoreError) as refused:
            back_up(path, target)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
    assert str(refused.value).startswith(f"{target}: ")
    assert not list(tmp_path.glob("copy*"))


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.EROFS, "is read-only for this user"),
        (errno.ENOSPC, "the disk is full"),
        (errno.EACCES, "run as its owner"),
    ],
)
def test_where_no_file_can_be_made_it_says_which_and_what_to_do(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, number: int, said: str
) -> None:
    """Backup and restore on a disk that refuses each file, and each removal: one line, of the file that was named."""
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    fill(path, clock, 1)
    back_up(path, copy)

    def refuse(name: object, *_: object, **__: object) -> int:
        raise OSError(number, os.strerror(number), str(name))

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr(type(path), "unlink", refuse)
    for target, call in (
        (tmp_path / "other.db", lambda: back_up(path, tmp_path / "other.db")),
        (path, lambda: restore(copy, path, clock.now)),
    ):
        with pytest.raises(StoreError) as refused:
            call()
        assert str(refused.value).startswith(f"{target}: ")
        assert said in str(refused.value)


def test_check_finds_what_belongs_to_nobody(tmp_path: Path, clock: Clock) -> None:
    """Rows whose device or series is gone, and a file that others may read, are complaints; a whole store has none."""
    path = tmp_path / "store.db"
    fill(path, clock, 2)
    assert check(path) == []
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM series WHERE id = 7")
        connection.execute("INSERT INTO presence VALUES (1, 5, 99, 'lan', 10)")
    path.chmod(0o644)
    said = "\n".join(check(path))
    assert "others may read it (mode 644)" in said
    assert "2 rows of samples belong to no series" in said
    assert "1 rows of presence belong to no device" in said
    assert "1 intervals of presence end before they begin" in said


def test_an_old_mode_is_narrowed_when_the_store_is_opened(tmp_path: Path, clock: Clock) -> None:
    """Opening a store that others may read takes that from them, and its log has the same mode."""
    path = tmp_path / "store.db"
    fill(path, clock, 1)
    path.chmod(0o644)
    with Store.open(path, site="home", clock=clock) as store:
        store.write([Sample(clock.now + timedelta(seconds=1), "device:1", "rtt_s", 0.5)])
        store.flush(clock.now)
        assert {one.stat().st_mode & 0o777 for one in tmp_path.glob("store.db*")} == {0o600}
    assert look_through(path).size_bytes == path.stat().st_size
