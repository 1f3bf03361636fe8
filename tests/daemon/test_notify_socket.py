"""The service's manager is told by datagrams, as sd_notify(3) has it."""

from __future__ import annotations

import asyncio
import os
import socket
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon.notify_socket import alive_every_s, stay_alive, tell

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("abstract", [False, True])
def test_what_is_said_arrives(tmp_path: Path, *, abstract: bool) -> None:
    """One datagram, to a path or to an abstract address, which the environment writes with an @ (sd_notify(3))."""
    name = f"@netaudit-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.settimeout(5)
        manager.bind(f"\0{name[1:]}" if abstract else name)
        assert tell("READY=1", {"NOTIFY_SOCKET": name})
        assert manager.recv(100) == b"READY=1"


def test_without_a_manager_nothing_is_said(tmp_path: Path) -> None:
    """No manager, or one that is gone: False and no exception; a watch started by hand runs the same."""
    assert not tell("READY=1", {})
    assert not tell("READY=1", {"NOTIFY_SOCKET": str(tmp_path / "gone")})


def test_it_is_said_twice_within_the_managers_patience() -> None:
    """sd_watchdog_enabled(3) asks for half of WATCHDOG_USEC; another process's watchdog is not ours."""
    assert alive_every_s({"WATCHDOG_USEC": "120000000"}) == 60.0
    assert alive_every_s({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": str(os.getpid())}) == 60.0
    assert alive_every_s({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "1"}) is None
    assert alive_every_s({"WATCHDOG_USEC": "soon"}) is None
    assert alive_every_s({}) is None


async def test_a_loop_that_hangs_says_nothing(tmp_path: Path) -> None:
    """While the loop turns the manager hears from it, and not after it was stopped."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(0)
        task = asyncio.create_task(stay_alive({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000"}))
        await asyncio.sleep(0.2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        heard = []
        while True:
            try:
                heard.append(manager.recv(100))
            except BlockingIOError:
                break
        assert len(heard) >= 3
        assert set(heard) == {b"WATCHDOG=1"}
