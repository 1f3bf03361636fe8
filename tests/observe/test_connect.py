"""TCP connections: open, refused, silent and unreachable are told apart, and nothing stays open."""

from __future__ import annotations

import asyncio
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.connect import Door, connect
from tests.lab.host import Host

if TYPE_CHECKING:
    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/24")
LOOPBACK = IPv4Network("127.0.0.0/8")


def test_doors_are_told_apart(lab: Lab) -> None:
    """An open port, a closed one, a host that drops SYNs, and an address that nobody has."""
    host = Host(mac="02:00:00:00:00:80", address="192.0.2.80", ports=(443,), delay_s=0.02)
    quiet = Host(mac="02:00:00:00:00:81", address="192.0.2.81", ports=(443,), silent=("tcp",))
    lab.segment([host, quiet], own=["192.0.2.1/24"])

    def door(address: str, port: int, timeout_s: float) -> tuple[Door, float | None]:
        found = lab.call(connect, IPv4Address(address), port, place="service:page", networks=[NET], timeout_s=timeout_s)
        assert (found.sample.kind, found.sample.place) == ("connect_s", "service:page")
        return found.door, found.sample.value

    opened, took_s = door("192.0.2.80", 443, 3.0)
    assert opened is Door.OPEN
    assert took_s is not None
    assert 0.02 <= took_s < 3
    assert door("192.0.2.80", 80, 3.0) == (Door.REFUSED, None)
    assert door("192.0.2.81", 443, 0.3) == (Door.SILENT, None)
    # The kernel gives up on an address without an ARP answer after three questions a second apart.
    assert door("192.0.2.99", 443, 10.0) == (Door.UNREACHABLE, None)


async def test_the_connection_is_closed_without_a_word() -> None:
    """A real server sees a connection that says nothing and ends."""
    said: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            said.set_result(await reader.read())
        except ConnectionResetError:
            said.set_result(b"")
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        found = await connect(IPv4Address("127.0.0.1"), port, place="x", networks=[LOOPBACK])
        assert found.door is Door.OPEN
        assert await asyncio.wait_for(said, 5) == b""


async def test_strangers_and_nonsense_are_refused() -> None:
    """Addresses outside of the plan, public ones, ports and times that can't be."""
    with pytest.raises(LookError, match="outside of the networks"):
        await connect(IPv4Address("192.0.3.1"), 80, place="x", networks=[NET])
    with pytest.raises(LookError, match="public"):
        await connect(IPv4Address("8.8.8.8"), 80, place="x", networks=[IPv4Network("8.8.8.0/24")])
    for port, timeout_s in ((0, 1.0), (65536, 1.0), (80, 0.0), (80, 1000.0)):
        with pytest.raises(OutOfRange):
            await connect(IPv4Address("127.0.0.1"), port, place="x", networks=[LOOPBACK], timeout_s=timeout_s)
