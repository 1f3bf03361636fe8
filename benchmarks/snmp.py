"""
How many rows a second the SNMP clients read from net-snmp's agent on loopback, beside its own snmpbulkwalk in the same run.

    python -m benchmarks.snmp

The agent serves its own view of this machine (compiled code, so that the agent is not what is measured); each client walks the
same subtree several times, and the best counts. snmpbulkwalk's time includes its start, about ten milliseconds; it is
measured with its output thrown away. The last line is one whole visit to the invented switch of the tests: counters and all
tables of ten ports, where the agent's helper program is most of the time.
"""

from __future__ import annotations

import asyncio
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Literal

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from netaudit.observe.snmp.links import Hangs
from netaudit.observe.snmp.oid import oid_text
from netaudit.observe.snmp.opening import open_agent
from netaudit.observe.snmp.switch import SwitchLook
from netaudit.observe.snmp.walk import walk
from tests.observe.snmp import recording
from tests.observe.snmp.agent import AUTH, NETWORKS, PRIVACY, WORD, Running, agent, program

if TYPE_CHECKING:
    from netaudit.observe.snmp.agent import Agent
    from netaudit.observe.snmp.oid import Oid

# hrSWInstalledTable: some thousand rows on any Debian system.
ROOT: Oid = (1, 3, 6, 1, 2, 1, 25, 6, 3, 1)
ROUNDS = 5


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def own(key: Agent, library: Literal["gufo", "pysnmp"]) -> tuple[int, float, float]:
    """Walk once; gives rows, seconds and CPU seconds."""
    client = open_agent(key, networks=NETWORKS, prefer=library)
    async with client:
        began_s, began_cpu_s = time.monotonic(), cpu_s()
        column = await walk(client, ROOT)
        return len(column.rows), time.monotonic() - began_s, cpu_s() - began_cpu_s


def theirs(running: Running, *, version: str) -> tuple[int, float, float]:
    """Let snmpbulkwalk walk once."""
    key = ["-v2c", "-c", WORD]
    if version == "3":
        key = ["-v3", "-u", "watcher", "-l", "authPriv", "-a", "SHA-256", "-A", AUTH, "-x", "AES", "-X", PRIVACY]
    words = [program("snmpbulkwalk"), *key, "-Cr25", "-On", f"127.0.0.1:{running.port}", oid_text(ROOT)]
    began_s = time.monotonic()
    done = subprocess.run(words, capture_output=True, check=True, env={**os.environ, "MIBS": ""})
    return done.stdout.count(b" = "), time.monotonic() - began_s, 0.0


async def visit(running: Running) -> float:
    """Visit the invented switch once."""
    look = SwitchLook(
        "shelf", open_agent(running.community(), networks=NETWORKS), hangs=lambda: Hangs("link:switch/shelf")
    )
    began_s = time.monotonic()
    await look.look()
    return time.monotonic() - began_s


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, agent(Path(folder), recording.a_switch()) as running:
        for version in ("2c", "3"):
            key = running.community() if version == "2c" else running.user()
            rows, took_s, _ = min((theirs(running, version=version) for _ in range(ROUNDS)), key=lambda run: run[1])
            theirs_hz = rows / took_s
            print(f"v{version:3} snmpbulkwalk  {rows:6} rows  {theirs_hz:9,.0f} rows/s")
            for library in ("gufo", "pysnmp"):
                runs = [asyncio.run(own(key, library)) for _ in range(ROUNDS)]
                rows, took_s, used_s = min(runs, key=lambda run: run[1])
                print(
                    f"v{version:3} {library:12}  {rows:6} rows  {rows / took_s:9,.0f} rows/s  "
                    f"CPU {used_s:.3f} s  {rows / took_s / theirs_hz:.2f} x snmpbulkwalk"
                )
        print(
            f"one whole visit to the invented switch: {min(asyncio.run(visit(running)) for _ in range(ROUNDS)):.3f} s"
        )


if __name__ == "__main__":
    main()
