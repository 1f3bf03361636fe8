"""Net-snmp's own agent on loopback, serving a recording: the outside truth for both clients."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

import pytest

from netaudit.observe.snmp.agent import Agent, Community, User
from tests.observe.snmp import recording

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.lab.lan import Lab

LOOPBACK = IPv4Address("127.0.0.1")
NETWORKS = (IPv4Network("127.0.0.0/8"),)
WORD, AUTH, PRIVACY = "test-community", "test-auth-secret", "test-privacy-secret"
SUBTREES = (
    "1.3.6.1.2.1.1",
    "1.3.6.1.2.1.2",
    "1.3.6.1.2.1.17",
    "1.3.6.1.2.1.31",
    "1.3.6.1.2.1.47",
    "1.3.6.1.2.1.105",
    "1.0.8802",
)
# Its own view of this machine would stand in the way of the recorded one.
OWN_TABLES = "-system_mib,sysORTable,ifTable,ifXTable,interface"


@dataclass
class Running:
    """An agent under test: its port, the file that holds what it says, and its process once it has begun."""

    port: int
    file: Path
    process: subprocess.Popen[bytes] | None = None

    def say(self, rows: recording.Rows) -> None:
        """Let it say something else from now on."""
        recording.write(rows, self.file)

    def community(self, word: str = WORD, **more: float) -> Agent:
        """Give the key of v2c."""
        return Agent(LOOPBACK, Community(word), self.port, **more)  # type: ignore[arg-type]

    def user(self, auth: str = AUTH, *, privacy: str = PRIVACY, name: str = "watcher", **more: float) -> Agent:
        """Give the key of v3."""
        return Agent(LOOPBACK, User(name, auth, privacy), self.port, **more)  # type: ignore[arg-type]


def program(name: str) -> str:
    """Find one of net-snmp's programs; skip when it isn't there."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if found is None:
        pytest.skip(f"{name} is not installed here (scripts/system-packages names the package)")
    return found


def free_port() -> int:
    """Give a UDP port of loopback that is free now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


@contextmanager
def agent(folder: Path, rows: recording.Rows, lab: Lab | None = None) -> Iterator[Running]:
    """Run an agent in its own folder until the block ends: here, or on the loopback of a laboratory's monitor."""
    daemon = program("snmpd")
    running = Running(free_port(), folder / "rows")
    running.say(rows)
    helper = f"{sys.executable} {recording.__file__} {running.file}"
    (folder / "conf").write_text(
        f"agentAddress udp:127.0.0.1:{running.port}\n"
        f"rocommunity {WORD} 127.0.0.1\n"
        f'createUser watcher SHA-256 "{AUTH}" AES "{PRIVACY}"\n'
        "rouser watcher authpriv\n" + "".join(f"pass_persist .{subtree} {helper}\n" for subtree in SUBTREES)
    )
    words = [daemon, "-f", "-C", "-c", str(folder / "conf"), "-Lf", str(folder / "log"), "-I", OWN_TABLES]
    environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(folder / "own"), "MIBS": ""}
    process = lab.popen(words, env=environment) if lab else subprocess.Popen(words, env=environment)
    running.process = process
    try:
        _wait(running, process, folder / "log", lab.enter() if lab else [])
        yield running
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait(running: Running, process: subprocess.Popen[bytes], log: Path, where: list[str]) -> None:
    """Ask by net-snmp's own client until it answers."""
    until = time.monotonic() + 20
    words = [
        program("snmpget"),
        "-v2c",
        "-c",
        WORD,
        "-t",
        "0.3",
        "-r",
        "0",
        f"127.0.0.1:{running.port}",
        "1.3.6.1.2.1.1.3.0",
    ]
    while subprocess.run([*where, *words], capture_output=True, env={**os.environ, "MIBS": ""}, check=False).returncode:
        if process.poll() is not None or time.monotonic() > until:
            pytest.fail(f"the agent did not come up: {log.read_text() if log.exists() else 'no log'}")
        time.sleep(0.05)
