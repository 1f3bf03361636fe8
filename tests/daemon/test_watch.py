"""The daemon on a laboratory segment: the whole thread, from frames to findings, and its end."""

from __future__ import annotations

import json
import resource
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import closing
from dataclasses import dataclass
from ipaddress import IPv4Network
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon import watch
from netaudit.daemon.looks import utc_now
from netaudit.daemon.reload import load_plan
from netaudit.errors import StoreError
from netaudit.store.store import Store
from tests.lab.host import Host, crowd

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/26")
# One access point that takes 16 stations, of which 80 % are planned for; 8 plugs are planned on it, 2 things on cables.
PLAN = """\
[site]
name = "Laboratory"
[looking]
sweep_every = "2 s"
echo_every = "2 s"
gateway_every = "1 s"
judge_every = "1 s"
pace = 500
retries = 1
opens_after = 2
[serving]
port = 0
[segment.home]
network = "192.0.2.0/26"
gateway = "192.0.2.2"
pool = ["192.0.2.3", "192.0.2.62"]
interface = "seg0"
ssid = "lab"
[switch.shelf]
ports = 8
[access_point.hall]
address = "192.0.2.10"
mac = "02:00:00:00:01:10"
[[access_point.hall.radio]]
band = "2.4"
association_limit = 16
[device.plugs]
kind = "plug"
count = 8
[device.desk]
kind = "desktop"
address = "192.0.2.20"
mac = ["02:00:00:00:01:20"]
[device.printer]
kind = "printer"
address = "192.0.2.21"
mac = ["02:00:00:00:01:21"]
"""
GATEWAY = Host("02:00:00:00:01:02", "192.0.2.2", delay_s=0.001)
POINT = Host("02:00:00:00:01:10", "192.0.2.10", delay_s=0.001)
DESK = Host("02:00:00:00:01:20", "192.0.2.20", delay_s=0.002)
PRINTER = Host("02:00:00:00:01:21", "192.0.2.21", delay_s=0.003)
PLUGS = [Host(f"02:00:00:00:02:{n:02x}", f"192.0.2.{30 + n}", delay_s=0.004, jitter_s=0.002) for n in range(8)]
PLANNED = [GATEWAY, POINT, DESK, PRINTER, *PLUGS]
# The router is watched and is none of the network's devices.
COUNTED = len(PLANNED) - 1
GUESTS = [Host(f"02:00:00:00:03:{n:02x}", f"192.0.2.{40 + n}", delay_s=0.004) for n in range(20)]


@dataclass
class Running:
    """A daemon under test."""

    process: subprocess.Popen[str]
    page: str


def start(lab: Lab, folder: Path) -> Running:
    """Start the daemon inside the laboratory and wait until it says that it is ready."""
    (folder / "site.toml").write_text(PLAN)
    with (folder / "log").open("a") as log:
        process = lab.popen(
            [sys.executable, "-m", "netaudit", "run", str(folder / "site.toml"), "--json"],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
    said = ""
    while not said.rstrip().endswith("}"):
        line = process.stdout.readline() if process.stdout else ""
        assert line, (folder / "log").read_text()
        said += line
    return Running(process, json.loads(said)["page"])


def fetch(url: str) -> str:
    """Get a page; runs inside the laboratory."""
    with urllib.request.urlopen(url, timeout=5) as answer:  # noqa: S310 - our own server in our own namespace
        text: str = answer.read().decode()
        return text


def metric(lab: Lab, running: Running, start_of_line: str) -> float | None:
    """Give a metric's value, None when it is not there."""
    for line in lab.call(fetch, running.page + "metrics").splitlines():
        if line.startswith(start_of_line):
            return float(line.rpartition(" ")[2])
    return None


def wait_for(what: str, holds: Callable[[], bool], timeout_s: float = 40.0, *, every_s: float = 0.3) -> None:
    """Wait until something holds; fail with its name."""
    until = time.monotonic() + timeout_s
    while not holds():
        if time.monotonic() > until:
            pytest.fail(f"did not come about within {timeout_s:g} s: {what}")
        time.sleep(every_s)


OUTGROWN = 'netaudit_findings{rule="outgrown",state="open"}'


@pytest.mark.timeout(240)
def test_twenty_devices_too_many_are_found_told_and_forgotten(lab: Lab, tmp_path: Path) -> None:
    """
    The daemon finds the planned hosts; when twenty unplanned appear, the finding that devices outgrow the access points
    opens and /metrics shows it; it closes when they leave; SIGTERM leaves a sound database with exact ends.
    """
    segment = lab.segment(PLANNED, own=["192.0.2.1/26"])
    running = start(lab, tmp_path)
    present = 'netaudit_devices_present{segment="home"}'
    wait_for("all planned hosts are present", lambda: metric(lab, running, present) == COUNTED)
    assert metric(lab, running, OUTGROWN) is None

    segment.set(*GUESTS)
    wait_for("the finding opens", lambda: metric(lab, running, OUTGROWN) == 1)
    wait_for("everybody is present", lambda: metric(lab, running, present) == COUNTED + len(GUESTS))
    page = lab.call(fetch, running.page)
    assert "More devices than the access points were bought for" in page

    segment.remove(*GUESTS)
    wait_for("the finding closes", lambda: metric(lab, running, OUTGROWN) is None)
    wait_for("the guests are gone", lambda: metric(lab, running, present) == COUNTED)

    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(15) == 0, (tmp_path / "log").read_text()
    with closing(sqlite3.connect(tmp_path / "site.db")) as kept:
        assert kept.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        macs = {row[0] for row in kept.execute("SELECT mac FROM devices")}
        life = kept.execute("SELECT opened_at, closed_at FROM findings WHERE rule = 'outgrown'").fetchall()
    assert {host.mac for host in (*PLANNED, *GUESTS)} <= macs
    assert len(life) == 1
    assert life[0][1] > life[0][0]
    assert "Traceback" not in (tmp_path / "log").read_text()


def committed(path: Path) -> int:
    """Count what is committed; 0 before there is anything."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as kept:
        try:
            return int(kept.execute("SELECT count(*) FROM samples").fetchone()[0])
        except sqlite3.OperationalError:
            return 0


@pytest.mark.timeout(240)
def test_killed_ten_times_in_a_sweep_nothing_committed_is_lost(lab: Lab, tmp_path: Path) -> None:
    """Kill -9 in the middle of a sweep, ten times in a row: the database is sound and what was committed is there."""
    segment = lab.segment([*PLANNED, *crowd(NET, 1)], own=["192.0.2.1/26"])
    store = tmp_path / "site.db"
    before = 0
    for turn in range(10):
        running = start(lab, tmp_path)
        asked = sum(segment.counts().asked.values())
        wait_for("a sweep is running", lambda asked=asked: sum(segment.counts().asked.values()) > asked)  # type: ignore[misc]
        # At another moment each time: within the first sweep, the echoes, a judgement with its commit.
        time.sleep(0.35 * turn)
        before = max(before, committed(store))
        running.process.kill()
        running.process.wait(10)
        with closing(sqlite3.connect(store)) as kept:
            assert kept.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert committed(store) >= before
    assert before > 0


@pytest.mark.timeout(120)
def test_a_disk_that_takes_nothing_is_said_where_people_look(lab: Lab, tmp_path: Path) -> None:
    """Page and metrics say that nothing is kept and why, the log says it once; with room again all that waited is there."""
    segment = lab.segment(PLANNED, own=["192.0.2.1/26"])
    running = start(lab, tmp_path)
    takes = 'netaudit_source_good{source="store"}'
    wait_for("the store takes what is given to it", lambda: metric(lab, running, takes) == 1)
    wait_for("all is committed", lambda: committed(tmp_path / "site.db") > 0)
    # Its files may not grow: what SQLite gets is what a full disk gives it (setrlimit(2), RLIMIT_FSIZE).
    usual = resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
    segment.set(*GUESTS)
    wait_for("metrics say so", lambda: metric(lab, running, takes) == 0)
    words = "What is seen has not been kept for "
    wait_for("the page says so", lambda: words in lab.call(fetch, running.page))
    resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, usual)
    wait_for("it is over", lambda: metric(lab, running, takes) == 1 and words not in lab.call(fetch, running.page))
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(15) == 0
    said = (tmp_path / "log").read_text()
    assert said.count("site.db: reading or writing the disk failed") == 1
    assert said.count("is kept, but for 0 observations that are lost") == 1
    with closing(sqlite3.connect(tmp_path / "site.db")) as kept:
        assert {host.mac for host in GUESTS} <= {row[0] for row in kept.execute("SELECT mac FROM devices")}


async def test_whatever_the_store_refuses_is_said_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A disk that stays full for hours is one line, whatever waits for it: observations, roll-ups or letters."""
    monkeypatch.setattr(watch, "need_looks", lambda _: None)
    path = tmp_path / "site.toml"
    path.write_text(PLAN)
    full = StoreError("site.db: the disk is full: free some space")

    def refuse(*_: object) -> int:
        raise full

    with Store.open(tmp_path / "site.db", site="Laboratory", clock=utc_now) as store:
        watching = watch.Watch(load_plan(path), store, str(tmp_path / "site.db"), tmp_path)
        monkeypatch.setattr(store, "rollup", refuse)
        monkeypatch.setattr(store, "flush", refuse)
        monkeypatch.setattr(watching._courier, "_mark_sent", refuse)
        for _ in range(3):
            await watching._roll_up()
            await watching._deliver()
        await watching._judge()
        sources = {one.source: one for one in watching.state().sources}
        await watching.server.stop()
    assert [record.getMessage() for record in caplog.records] == [str(full)]
    assert (sources["store"].good, sources["store"].reason) == (False, str(full))


def test_an_answer_to_sigterm_comes_also_while_a_page_is_read(lab: Lab, tmp_path: Path) -> None:
    """A client that keeps its connection open doesn't hold the daemon up."""
    lab.segment(PLANNED, own=["192.0.2.1/26"])
    running = start(lab, tmp_path)
    lab.call(fetch, running.page + "metrics")
    began = time.monotonic()
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(20) == 0
    assert time.monotonic() - began < 15
    with pytest.raises(urllib.error.URLError):
        lab.call(fetch, running.page)


@pytest.mark.parametrize(
    "text",
    [
        PLAN.replace('interface = "seg0"\n', ""),
        f'{PLAN}\n[alert.mail]\nurl_env = "NO_SUCH_VARIABLE"\n',
        PLAN.replace("port = 0\n", 'port = 0\ntoken_env = "NO_SUCH_VARIABLE"\n'),
    ],
    ids=["no interface", "no address", "no token"],
)
def test_a_plan_that_can_not_be_watched_is_told(text: str, tmp_path: Path) -> None:
    """Nothing to look at, or nobody to tell: one line that says what to write, status 2, and no database was made."""
    plan = tmp_path / "site.toml"
    plan.write_text(text)
    done = subprocess.run(
        [sys.executable, "-m", "netaudit", "run", str(plan)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "netaudit run: " in done.stderr
    assert done.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["site.toml"]
