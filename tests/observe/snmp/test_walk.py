"""Walks end, whatever the agent does; played by scapy's SNMP on loopback, for both clients, and by rows in memory."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Literal

import pytest
from scapy.layers.snmp import SNMP, SNMPresponse, SNMPvarbind

from netaudit.observe.snmp.agent import Agent, Community
from netaudit.observe.snmp.oid import Oid, oid_of, oid_text
from netaudit.observe.snmp.opening import open_agent
from netaudit.observe.snmp.walk import walk
from tests.observe.snmp.agent import LOOPBACK, NETWORKS, WORD

if TYPE_CHECKING:
    from collections.abc import Callable

    from netaudit.observe.snmp.walk import Column

ROOT: Oid = (1, 3, 6, 1, 2, 1, 2, 2, 1, 3)
Library = Literal["gufo", "pysnmp"]


class Played(asyncio.DatagramProtocol):
    """An agent whose next name after any name is given by a function; 25 rows an answer."""

    def __init__(self, after: Callable[[Oid], Oid], *, deaf_to: int = 0) -> None:
        self.after = after
        self.deaf_to = deaf_to
        self.asked = 0

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override] # always one here
        """Keep the way back."""
        self.transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        """Answer a walk's question."""
        self.asked += 1
        if self.asked == self.deaf_to:
            return
        question = SNMP(data)
        oid = oid_of(question.PDU.varbindlist[0].oid.val)
        rows = []
        for _ in range(25):
            oid = self.after(oid)
            rows.append(SNMPvarbind(oid=oid_text(oid), value=7))
        answer = SNMP(version=1, community=WORD, PDU=SNMPresponse(id=question.PDU.id.val, varbindlist=rows))
        self.transport.sendto(bytes(answer), addr)


async def read(played: Played, library: Library, most_rows: int = 1000) -> Column:
    """Walk a played agent."""
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: played, local_addr=("127.0.0.1", 0)
    )
    one = Agent(LOOPBACK, Community(WORD), transport.get_extra_info("sockname")[1], timeout_s=0.5)
    try:
        async with asyncio.timeout(30), open_agent(one, networks=NETWORKS, prefer=library) as client:
            return await walk(client, ROOT, most_rows=most_rows)
    finally:
        transport.close()


def up_to(last: int) -> Callable[[Oid], Oid]:
    """Give an honest agent with rows 1 to `last`."""

    def after(oid: Oid) -> Oid:
        number = oid[len(ROOT)] + 1 if len(oid) > len(ROOT) else 1
        return (*ROOT, number) if number <= last else (*ROOT[:-1], ROOT[-1] + 1, 1)

    return after


@pytest.mark.parametrize("library", ["gufo", "pysnmp"])
async def test_an_honest_agent_is_read_to_its_end(library: Library) -> None:
    """60 rows over three answers, and not one of the next column."""
    column = await read(Played(up_to(60)), library)
    assert list(column.rows) == [(number,) for number in range(1, 61)]
    assert not column.trouble


@pytest.mark.parametrize("library", ["gufo", "pysnmp"])
async def test_a_lost_answer_is_asked_for_again(library: Library) -> None:
    """The second answer of three is lost: it is asked for again from where the walk was, and every row is there once."""
    played = Played(up_to(60), deaf_to=2)
    column = await read(played, library)
    assert list(column.rows) == [(number,) for number in range(1, 61)]
    assert played.asked == 4


@pytest.mark.parametrize("library", ["gufo", "pysnmp"])
async def test_an_endless_table_is_cut(library: Library) -> None:
    """An agent that always has one more row is left after the bound, and the column says so."""
    column = await read(Played(up_to(10**9)), library)
    assert len(column.rows) == 1000
    assert column.trouble == "more than 1000 rows"


@pytest.mark.parametrize("library", ["gufo", "pysnmp"])
@pytest.mark.parametrize("circle", [1, 7, 30])
async def test_an_agent_that_goes_in_circles_is_left(library: Library, circle: int) -> None:
    """Names that don't grow end the walk after a few questions: within one answer, or from one to the next."""

    def after(oid: Oid) -> Oid:
        number = oid[len(ROOT)] if len(oid) > len(ROOT) else 0
        return (*ROOT, number % circle + 1)

    played = Played(after)
    column = await read(played, library)
    assert len(column.rows) <= circle
    assert played.asked <= 3
    assert column.trouble == "the agent goes in circles"
