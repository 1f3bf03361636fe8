"""The daemon's other eyes on a laboratory segment: a real SNMP agent's numbers become the ledger's, its silence a finding."""

from __future__ import annotations

import json
import os
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.store.store import Store
from tests.daemon.test_watch import GATEWAY, PLAN, PLANNED, Running, metric, wait_for
from tests.observe.snmp import recording
from tests.observe.snmp.agent import WORD, agent
from tests.observe.snmp.recording import IF, IFX, OFFSET, POINT_PORT, UPLINK

if TYPE_CHECKING:
    from pathlib import Path

    from tests.lab.lan import Lab

POINT_MAC = "02:00:00:00:01:10"


def rows(*, point_mbps: int = 1000, ticks: int = 360_000) -> recording.Rows:
    """Give the invented switch, with the laboratory's access point on its port at some speed."""
    made = recording.a_switch(point_mac=POINT_MAC, ticks=ticks)
    made[*IF, 5, POINT_PORT + OFFSET] = ("gauge", str(point_mbps * 1_000_000))
    made[*IFX, 15, POINT_PORT + OFFSET] = ("gauge", str(point_mbps))
    for column, value in ((2, UPLINK), (3, 3)):
        made[*recording.Q_FDB, column, 7, *recording.mac_index(GATEWAY.mac)] = ("integer", str(value))
    return {oid: value for oid, value in made.items() if oid[: len(recording.LLDP_REMOTE)] != recording.LLDP_REMOTE}


def start(lab: Lab, folder: Path, plan: str) -> Running:
    """Start the daemon inside the laboratory, with the switch's word in its environment."""
    (folder / "site.toml").write_text(plan)
    with (folder / "log").open("a") as log:
        process = lab.popen(
            [sys.executable, "-m", "netaudit", "run", str(folder / "site.toml"), "--json"],
            stdout=-1,
            stderr=log,
            text=True,
            env={**os.environ, "SHELF_WORD": WORD},
        )
    said = ""
    while not said.rstrip().endswith("}"):
        line = process.stdout.readline() if process.stdout else ""
        assert line, (folder / "log").read_text()
        said += line
    return Running(process, json.loads(said)["page"])


def latest(path: Path, place: str, kind: str) -> float | None:
    """Give the last number that the store holds of a series; None when there is none."""
    now = datetime.now(UTC)
    with Store.open(path, site="Laboratory", clock=lambda: datetime.now(UTC)) as store:
        readings = store.series(place, kind, now - timedelta(hours=1), now + timedelta(hours=1))
    return readings[-1].value if readings else None


@pytest.mark.timeout(240)
def test_a_switch_is_read_judged_and_missed(lab: Lab, tmp_path: Path) -> None:
    """
    The daemon reads ports, power and rates of a real agent; a link that comes up too slow is a finding that closes when it is
    mended; an agent that falls silent is a finding with its reason; the community is in no log and not in the store.
    """
    lab.segment(PLANNED, own=["192.0.2.1/26"])
    with agent(tmp_path, rows(), lab) as switch:
        snmp = f'[switch.shelf.snmp]\naddress = "127.0.0.1"\nport = {switch.port}\ncommunity_env = "SHELF_WORD"\nevery = "10 s"\n'
        running = start(lab, tmp_path, PLAN.replace("[access_point.hall]", f"{snmp}[access_point.hall]"))
        store = tmp_path / "site.db"
        wait_for("the ports are read", lambda: latest(store, "switch:shelf", "ports_up") == 3)
        assert latest(store, "switch:shelf", "power_w") == 11
        assert latest(store, "link:access_point/hall", "speed_bps") == 1e9

        slow = 'netaudit_findings{rule="link_slow",state="open"}'
        assert metric(lab, running, slow) is None
        switch.say(rows(point_mbps=100, ticks=361_000))
        wait_for("the slow link is found", lambda: metric(lab, running, slow) == 1)
        switch.say(rows(ticks=362_000))
        wait_for("the slow link is mended", lambda: metric(lab, running, slow) is None)

        assert switch.process is not None
        switch.process.terminate()
        silent = 'netaudit_findings{rule="source_silent",state="open"}'
        wait_for("the silence is found", lambda: metric(lab, running, silent) == 1)
    running.process.terminate()
    assert running.process.wait(15) == 0
    log = (tmp_path / "log").read_text()
    assert "snmp:shelf: " in log
    assert "Traceback" not in log
    assert WORD not in log
    assert WORD.encode() not in store.read_bytes()
