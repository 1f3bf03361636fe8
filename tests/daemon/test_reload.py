"""SIGHUP takes a changed plan without losing anything; a broken one is refused and told, the one before goes on."""

from __future__ import annotations

import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.error
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon import reload
from netaudit.daemon.orders import Orders
from netaudit.errors import LookError
from netaudit.store.retain import Keep
from tests.daemon.test_watch import PLAN, PLANNED, fetch, metric, wait_for
from tests.lab.host import Host

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from netaudit.store.store import Store
    from tests.lab.lan import Lab

PORT = 9817
PAGE = f"http://127.0.0.1:{PORT}/"
FIXED = PLAN.replace("port = 0", f"port = {PORT}")
STRANGER = Host("02:00:00:00:04:01", "192.0.2.50", delay_s=0.002)


def test_the_store_is_opened_to_keep_what_the_plan_keeps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a plan says in `[keeping]` is what its watch's store prunes by."""
    plan = tmp_path / "site.toml"
    plan.write_text(PLAN + '[keeping]\nraw = "3 d"\nhourly = "1000 d"\n')
    kept: list[Keep] = []

    def watch(_plan: object, store: Store, *_: object) -> None:
        kept.append(store.keep)
        raise LookError("nobody looks in this test")

    monkeypatch.setattr(reload, "refuse_unfit", lambda _: None)
    monkeypatch.setattr(reload, "Watch", watch)
    life = reload.Life(plan, str(tmp_path / "site.db"), tmp_path, {}, lambda *_: None, Orders())
    with pytest.raises(LookError):
        life.live()
    assert kept == [Keep(raw=3, hourly=1000)]


class Daemon:
    """A daemon under test, with a manager that listens."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab, self.plan, self.log = lab, folder / "site.toml", folder / "log"
        self.page, self.port = PAGE, PORT
        self.manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.manager.bind(str(folder / "notify"))
        self.manager.settimeout(60)
        self.plan.write_text(FIXED)
        with self.log.open("a") as log:
            self.process = lab.popen(
                ["env", f"NOTIFY_SOCKET={folder / 'notify'}", sys.executable, "-m", "netaudit", "run", str(self.plan)],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )

    def told(self) -> str:
        """Give what the manager is told next, without the times."""
        return self.manager.recv(200).decode().partition("\n")[0]

    def reload(self, plan: str) -> None:
        """Write another plan and ask for it."""
        self.plan.write_text(plan)
        self.process.send_signal(signal.SIGHUP)

    def logged(self, words: str) -> bool:
        """Say whether a line of the log holds these words."""
        return words in self.log.read_text()

    def metric(self, start_of_line: str) -> float | None:
        """Give a metric's value; None also while one plan ends and the next begins."""
        try:
            return metric(self.lab, self, start_of_line)  # type: ignore[arg-type]  # it has the page that is asked for
        except urllib.error.URLError:
            return None


@pytest.fixture
def daemon(lab: Lab, tmp_path: Path) -> Iterator[Daemon]:
    """Give a daemon that has begun on a segment with the planned hosts and a stranger."""
    lab.segment([*PLANNED, STRANGER], own=["192.0.2.1/26"])
    running = Daemon(lab, tmp_path)
    try:
        assert running.told() == "READY=1"
        yield running
    finally:
        running.process.kill()
        running.manager.close()


def life(folder: Path) -> tuple[int, int]:
    """Count the findings about strangers that were ever opened, and closed."""
    with closing(sqlite3.connect(folder / "site.db")) as kept:
        opened, closed = kept.execute(
            "SELECT count(*), count(closed_at) FROM findings WHERE rule = 'unknown'"
        ).fetchone()
    return opened, closed


UNKNOWN = 'netaudit_findings{rule="unknown",state="open"}'
BAD = 'netaudit_source_good{source="plan"}'


@pytest.mark.timeout(240)
def test_a_changed_plan_is_taken_and_history_goes_on(daemon: Daemon, tmp_path: Path) -> None:
    """
    A stranger is found; the plan is taught who it is; SIGHUP closes the finding, opened once, in the same store; presence
    has no gap. SIGTERM then ends it as ever.
    """
    wait_for("the stranger is found", lambda: daemon.metric(UNKNOWN) == 1)
    daemon.reload(FIXED + f'[device.tablet]\nkind = "tablet"\nmac = ["{STRANGER.mac}"]\n')
    assert daemon.told() == "RELOADING=1"
    assert daemon.told() == "READY=1"
    wait_for("it is no stranger any more", lambda: life(tmp_path) == (1, 1))
    assert daemon.metric(BAD) == 1
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(20) == 0, daemon.log.read_text()
    assert daemon.told() == "STOPPING=1"
    with closing(sqlite3.connect(tmp_path / "site.db")) as kept:
        assert kept.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        plans = kept.execute("SELECT count(*) FROM plans").fetchone()
        # An interval that has ended moves from `present` to `presence`: there is none, everybody was here all the time.
        ended = kept.execute("SELECT count(*) FROM presence").fetchone()
    assert life(tmp_path) == (1, 1)
    assert plans == (2,)
    assert ended == (0,)
    assert "Traceback" not in daemon.log.read_text()


@pytest.mark.timeout(240)
def test_a_plan_that_changes_while_another_is_taken_is_taken_too(daemon: Daemon, tmp_path: Path) -> None:
    """SIGHUP while one plan ends and the next begins is not lost: the last plan is the one that is watched."""
    daemon.reload(FIXED + "# first\n")
    assert daemon.told() == "RELOADING=1"
    wait_for("the old one is ending", lambda: daemon.logged("has changed and is taken"))
    last = FIXED + "# last\n"
    daemon.reload(last)
    # A signal that comes a moment later, when the loop of the first is gone, and one that comes when nothing changed.
    daemon.process.send_signal(signal.SIGHUP)

    def kept() -> set[str]:
        with closing(sqlite3.connect(tmp_path / "site.db")) as store:
            return {row[0] for row in store.execute("SELECT document FROM plans")}

    wait_for("the last plan is watched", lambda: last in kept())
    assert daemon.process.poll() is None
    assert not daemon.logged("Traceback")


@pytest.mark.timeout(240)
def test_an_order_to_end_while_another_plan_is_taken_is_obeyed(daemon: Daemon) -> None:
    """SIGTERM while one plan ends and the next begins ends the watch, with status 0, and the next is not watched."""
    daemon.reload(FIXED + "# another\n")
    wait_for("the old one is ending", lambda: daemon.logged("has changed and is taken"), every_s=0.005)
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(30) == 0, daemon.log.read_text()
    assert not daemon.logged("again; page")
    assert not daemon.logged("Traceback")


@pytest.mark.timeout(240)
@pytest.mark.parametrize(
    ("broken", "words"),
    [
        (FIXED.replace("ports = 8", "prots = 8"), 'switch "shelf", prots: is not a known key'),
        (FIXED.replace('"Laboratory"', '"Elsewhere"'), 'the store is of "Laboratory"'),
        # Sound as a plan; only the attempt to watch it shows that this box has nothing to look through.
        (FIXED.replace('interface = "seg0"\n', ""), "no segment names this box's interface"),
    ],
    ids=["a wrong key", "another site", "no interface"],
)
def test_a_broken_plan_is_refused_and_told(daemon: Daemon, broken: str, words: str) -> None:
    """The one before goes on: it is said in the log and by the source `plan`; the mended plan is taken."""
    wait_for("the stranger is found", lambda: daemon.metric(UNKNOWN) == 1)
    daemon.reload(broken)
    assert daemon.told() == "RELOADING=1"
    assert daemon.told() == "READY=1"
    wait_for("it is told", lambda: daemon.metric(BAD) == 0)
    assert daemon.logged("the new plan is refused and the one before goes on")
    assert daemon.logged(words)
    wait_for("the one before is judged", lambda: daemon.metric(UNKNOWN) == 1)
    assert "Laboratory" in daemon.lab.call(fetch, PAGE)
    daemon.reload(FIXED + "# mended\n")
    wait_for("it is well again", lambda: daemon.metric(BAD) == 1)
    assert daemon.process.poll() is None
    assert not daemon.logged("Traceback")
