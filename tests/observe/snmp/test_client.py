"""Both clients against net-snmp's agent, v2c and v3: what its own client reads, they read; what it refuses, they explain."""

from __future__ import annotations

import asyncio
import os
import subprocess
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING, Literal

import pytest

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.snmp.agent import Agent, Community, User, secret
from netaudit.observe.snmp.oid import oid_of
from netaudit.observe.snmp.opening import open_agent
from netaudit.observe.snmp.walk import walk
from tests.observe.snmp import recording
from tests.observe.snmp.agent import AUTH, LOOPBACK, NETWORKS, PRIVACY, WORD, Running, agent, free_port, program

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.lab.lan import Lab

Library = Literal["gufo", "pysnmp"]
LIBRARIES: tuple[Library, ...] = ("gufo", "pysnmp")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Give an agent that serves the invented switch."""
    with agent(tmp_path_factory.mktemp("agent"), recording.a_switch()) as one:
        yield one


def key(running: Running, version: str) -> Agent:
    """Give the right key for a version."""
    return running.community() if version == "2c" else running.user()


def listed_by_net_snmp(running: Running, root: tuple[int, ...]) -> list[tuple[int, ...]]:
    """Give the OIDs under one in the order in which snmpbulkwalk prints them."""
    words = [program("snmpbulkwalk"), "-v2c", "-c", WORD, "-On", f"127.0.0.1:{running.port}", ".".join(map(str, root))]
    shown = subprocess.run(words, capture_output=True, text=True, check=True, env={**os.environ, "MIBS": ""}).stdout
    return [oid_of(line.partition(" = ")[0]) for line in shown.splitlines() if line.startswith(".")]


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize("version", ["2c", "3"])
@pytest.mark.parametrize(
    "root", [recording.IF, recording.IFX, (1, 3, 6, 1, 2, 1, 17), (1, 0, 8802), (1, 3, 6, 1, 2, 1, 105)]
)
async def test_both_read_what_net_snmp_reads(
    running: Running, library: Library, version: str, root: tuple[int, ...]
) -> None:
    """Every row of each recorded table, by snmpbulkwalk's own output: same OIDs, same numbers, same octets."""
    theirs = listed_by_net_snmp(running, root)
    async with open_agent(key(running, version), networks=NETWORKS, prefer=library) as client:
        column = await walk(client, root)
    assert [(*root, *index) for index in column.rows] == theirs
    recorded = {oid: value for oid, value in recording.values(recording.a_switch()).items() if oid[: len(root)] == root}
    assert {(*root, *index): value for index, value in column.rows.items()} == recorded
    assert not column.trouble


@pytest.mark.parametrize("library", LIBRARIES)
async def test_single_values_that_are_missing_are_left_out(running: Running, library: Library) -> None:
    """One OID that is there and two that are not: one value."""
    absent = [(*recording.IF, 3, 9999), (1, 3, 6, 1, 4, 1, 99_999, 1, 0)]
    async with open_agent(running.community(), networks=NETWORKS, prefer=library) as client:
        assert await client.get([recording.UPTIME, *absent]) == {recording.UPTIME: 360_000}


@pytest.mark.parametrize("library", LIBRARIES)
async def test_a_client_may_visit_again(running: Running, library: Library) -> None:
    """A second visit with the same client works, in v3 as well."""
    client = open_agent(running.user(), networks=NETWORKS, prefer=library)
    for _ in range(2):
        async with client:
            assert await client.get([recording.UPTIME])


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ("community", "no answer.*a wrong community looks the same"),
        ("auth", "refuses user watcher"),
        ("user", "refuses user stranger"),
        ("privacy", "no answer.*privacy secret"),
        ("nobody there", "no answer|nobody listening"),
    ],
)
async def test_each_refusal_says_why_and_holds_no_secret(
    running: Running, library: Library, wrong: str, words: str
) -> None:
    """Wrong secrets, an unknown user and a dead agent: one line each, without what was tried."""
    tried = {
        "community": running.community("not-the-word", timeout_s=0.3, retries=0),
        "auth": running.user("not-the-auth-secret", timeout_s=1, retries=0),
        "user": running.user(name="stranger", timeout_s=1, retries=0),
        "privacy": running.user(privacy="not-the-privacy-secret", timeout_s=0.5, retries=0),
        "nobody there": Agent(LOOPBACK, Community(WORD), free_port(), timeout_s=0.3, retries=0),
    }[wrong]
    with pytest.raises(LookError, match=words) as caught:
        async with open_agent(tried, networks=NETWORKS, prefer=library) as client:
            await client.get([recording.UPTIME])
    for told in (str(caught.value), repr(tried)):
        assert not any(one in told for one in ("not-the", WORD, AUTH, PRIVACY))


class _Rogue(asyncio.DatagramProtocol):
    """Answers every question with something else."""

    def __init__(self, answers: bytes) -> None:
        self.answers = answers
        self.asked = 0

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override] # always one here
        """Keep the way back."""
        self.transport = transport

    def datagram_received(self, _data: bytes, addr: tuple[str, int]) -> None:
        """Answer."""
        self.asked += 1
        self.transport.sendto(self.answers, addr)


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize(
    "answers", [b"", b"hello", b"\x30\x82\xff\xff", bytes(range(256)), b"\x30\x84\x7f\xff\xff\xff\x02\x01\x01"]
)
async def test_nonsense_is_an_error_in_a_bounded_time(library: Library, answers: bytes) -> None:
    """An agent that answers what is no SNMP ends in one line, not in a crash and not in a wait."""
    loop = asyncio.get_running_loop()
    transport, rogue = await loop.create_datagram_endpoint(lambda: _Rogue(answers), local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    tried = Agent(LOOPBACK, Community(WORD), port, timeout_s=0.3, retries=0)
    try:
        with pytest.raises(LookError):
            async with asyncio.timeout(5), open_agent(tried, networks=NETWORKS, prefer=library) as client:
                await client.get([recording.UPTIME])
    finally:
        transport.close()
    assert rogue.asked == 1


def test_only_the_plans_networks_are_asked() -> None:
    """An address outside of the plan, a public one, and a port that is none are refused before anything is sent."""
    for address, networks in (
        (IPv4Address("192.0.2.1"), NETWORKS),
        (IPv4Address("8.8.8.8"), (IPv4Network("8.8.8.0/24"),)),
    ):
        with pytest.raises(LookError):
            open_agent(Agent(address, Community("x")), networks=networks)
    with pytest.raises(OutOfRange):
        open_agent(Agent(LOOPBACK, Community("x"), port=0), networks=NETWORKS)


def test_a_secret_that_is_too_short_is_refused_without_being_told() -> None:
    """RFC 3414, 11.2: eight characters or more."""
    for auth, privacy in (("short", "long enough"), ("long enough", "short")):
        with pytest.raises(OutOfRange, match="8 characters or more") as caught:
            open_agent(Agent(LOOPBACK, User("watcher", auth, privacy)), networks=NETWORKS)
        assert "short" not in str(caught.value)


async def ask_far_away(library: Library) -> str:
    """Ask an address that there is no way to; gives what was told. Runs inside the laboratory."""
    far = Agent(IPv4Address("198.51.100.1"), Community("x"), timeout_s=0.3, retries=0)
    try:
        async with open_agent(far, networks=[IPv4Network("198.51.100.0/24")], prefer=library) as client:
            await client.get([recording.UPTIME])
    except LookError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("library", LIBRARIES)
def test_an_agent_that_there_is_no_way_to_is_told(lab: Lab, library: Library) -> None:
    """Without a route it is an error of ours in one line, by either library."""
    lab.segment(own=["192.0.2.1/24"])
    assert "198.51.100.1" in lab.call(ask_far_away, library)


def test_a_secret_that_is_not_set_is_told_by_its_name() -> None:
    """The variable's name is in the line, so that whoever reads it knows what to set."""
    assert secret({"SHELF": "word"}, "SHELF", whose="switch shelf") == "word"
    with pytest.raises(LookError, match=r"switch shelf.*SHELF"):
        secret({}, "SHELF", whose="switch shelf")
