"""The night of a move beside the running watch: a baseline is kept while it works, and its page follows who comes back."""

from __future__ import annotations

import signal
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from scapy.layers.l2 import ARP, Ether
from scapy.utils import wrpcap

from netaudit.cli import main
from tests.daemon.test_watch import DESK, PLANNED, PRINTER, fetch, start, wait_for

if TYPE_CHECKING:
    from pathlib import Path

    from tests.lab.lan import Lab


@pytest.mark.timeout(180)
def test_the_page_follows_who_comes_back(lab: Lab, tmp_path: Path) -> None:
    """
    Before the move desk and printer were on the old network; on the new one the printer is missing until it is plugged in.

    The baseline comes from a capture into the store that the watch is writing to; neither is harmed.
    """
    old = tmp_path / "old.pcap"
    wrpcap(
        str(old),
        [
            Ether(src=host.mac, dst="ff:ff:ff:ff:ff:ff") / ARP(hwsrc=host.mac, psrc=f"10.0.0.{last}", pdst="10.0.0.1")
            for last, host in enumerate((DESK, PRINTER), 20)
        ],
    )
    segment = lab.segment([host for host in PLANNED if host is not PRINTER], own=["192.0.2.1/26"])
    running = start(lab, tmp_path)

    def shows(said: str) -> bool:
        return said in lab.call(fetch, running.page + "move")

    assert shows("How it begins")
    site, kept = str(tmp_path / "site.toml"), str(tmp_path / "site.db")
    assert main(["baseline", site, "spring", "--from", str(old), "--keep", kept, "--out", str(tmp_path)]) == 0
    wait_for("the desk is back", lambda: shows("<h2>1 of 2 is back, 1 to go</h2>"))
    remaining = lab.call(fetch, running.page + "move").partition("What remains")[2].partition("<details")[0]
    assert PRINTER.mac in remaining
    assert DESK.mac not in remaining
    assert "Way back" in lab.call(fetch, running.page + "move/plan")

    segment.set(PRINTER)
    wait_for("the printer is back", lambda: shows("<h2>All 2 are back where they belong</h2>"))
    assert shows("prove the new network with <code>netaudit accept</code>")

    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(15) == 0, (tmp_path / "log").read_text()
    with closing(sqlite3.connect(kept)) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert store.execute("SELECT name FROM baselines").fetchall() == [("spring",)]
    assert "Traceback" not in (tmp_path / "log").read_text()
