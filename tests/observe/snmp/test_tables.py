"""The tables' readers on what agents differ in: which forwarding table, whose port numbers, which names."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from netaudit.observe.snmp.forwarding import (
    FDB_PORT,
    FDB_STATUS,
    PORT_IF_INDEX,
    Q_FDB_PORT,
    Q_FDB_STATUS,
    read_bridge_ports,
    read_forwarding,
)
from netaudit.observe.snmp.interfaces import read_interfaces
from netaudit.observe.snmp.links import Hangs, Way, find_links
from netaudit.observe.snmp.neighbours import LOCAL, REMOTE, read_neighbours
from netaudit.observe.snmp.power import PORT_TABLE, SUPPLY_TABLE, read_power
from netaudit.observe.snmp.system import read_system
from netaudit.observe.snmp.tables import Neighbour
from tests.observe.snmp.recorded import RecordedClient
from tests.observe.snmp.recording import ENTITY, IF, IFX, SYSTEM, mac_index

if TYPE_CHECKING:
    from netaudit.observe.snmp.oid import Oid, Value

MAC, OTHER, GROUP = "02:00:00:00:00:01", "02:00:00:00:00:02", "01:00:5e:00:00:fb"
LEARNT, SELF = 3, 4


def plain(mac: str, port: int, status: int = LEARNT) -> dict[Oid, Value]:
    """Give an entry of the bridge's one table."""
    return {(*FDB_PORT, *mac_index(mac)): port, (*FDB_STATUS, *mac_index(mac)): status}


def by_vlan(fdb: int, mac: str, port: int, status: int = LEARNT) -> dict[Oid, Value]:
    """Give an entry of a table by forwarding database."""
    index = (fdb, *mac_index(mac))
    return {(*Q_FDB_PORT, *index): port, (*Q_FDB_STATUS, *index): status}


TABLES = [
    ("a bridge without VLANs", plain(MAC, 3) | plain(OTHER, 4), {MAC: {3}, OTHER: {4}}),
    ("one with VLANs", by_vlan(1, MAC, 3) | by_vlan(700, OTHER, 4), {MAC: {3}, OTHER: {4}}),
    ("both tables: that by VLAN is the whole one", by_vlan(1, MAC, 3) | plain(OTHER, 4), {MAC: {3}}),
    ("a MAC behind two ports, by VLAN", by_vlan(1, MAC, 3) | by_vlan(2, MAC, 5), {MAC: {3, 5}}),
    ("the bridge itself", by_vlan(1, MAC, 3, SELF) | by_vlan(1, OTHER, 4), {OTHER: {4}}),
    ("a port that isn't known", by_vlan(1, MAC, 0) | by_vlan(1, OTHER, 4), {OTHER: {4}}),
    ("a group", by_vlan(1, GROUP, 3) | by_vlan(1, OTHER, 4), {OTHER: {4}}),
    ("a table of the wrong shape", {(*Q_FDB_PORT, 1, 2, 3): 4} | by_vlan(1, OTHER, 4), {OTHER: {4}}),
    ("octets that are none", {(*Q_FDB_PORT, 1, 2, 0, 0, 0, 0, 999): 4} | by_vlan(1, OTHER, 4), {OTHER: {4}}),
    ("no bridge", {}, {}),
]


@pytest.mark.parametrize(("rows", "expected"), [row[1:] for row in TABLES], ids=[row[0] for row in TABLES])
async def test_macs_are_behind_the_ports_that_the_bridge_learnt_them_on(
    rows: dict[Oid, Value], expected: dict[str, set[int]]
) -> None:
    """RFC 4188, dot1dTpFdbTable; RFC 4363, dot1qTpFdbTable: status 4 is the bridge itself, port 0 one that isn't known."""
    found, trouble = await read_forwarding(RecordedClient(rows))
    assert {mac: set(ports) for mac, ports in found.items()} == expected
    assert not trouble


async def test_bridge_ports_are_not_interfaces() -> None:
    """RFC 4188, dot1dBasePortIfIndex: bridge port -> ifIndex; what is no positive number is left out."""
    rows: dict[Oid, Value] = {(*PORT_IF_INDEX, 1): 101, (*PORT_IF_INDEX, 2): 0, (*PORT_IF_INDEX, 3): b"x"}
    assert await read_bridge_ports(RecordedClient(rows)) == {1: 101}


def neighbour(
    local: int, *, mark: int = 1, number: int = 1, kind: int = 4, chassis: bytes = b"\2\0\0\0\0\1"
) -> dict[Oid, Value]:
    """Give one neighbour."""
    index = (mark, local, number)
    return {(*REMOTE, 4, *index): kind, (*REMOTE, 5, *index): chassis, (*REMOTE, 9, *index): b"gate"}


BRIDGE = {1: 101, 2: 102, 3: 103}
# What the switch calls its local port 7: subtype, identifier -> the bridge port that is meant
PORTS = [
    ("by the interface's name", 7, 5, b"ge2", 2),
    ("by the interface's MAC", 7, 3, b"\2\0\0\0\x0f\3", 3),
    ("as a bridge port", 2, 7, b"2", 2),
    ("as an ifIndex", 103, 7, b"103", 3),
    ("as nothing that we know", 55, 7, b"x", 55),
]


@pytest.mark.parametrize(
    ("local", "kind", "identity", "port"), [row[1:] for row in PORTS], ids=[row[0] for row in PORTS]
)
async def test_a_neighbour_is_at_the_bridge_s_port(local: int, kind: int, identity: bytes, port: int) -> None:
    """IEEE 802.1AB-2005 leaves open what a local port number counts: the port's own identifier decides where it can."""
    rows: dict[Oid, Value] = dict(neighbour(local))
    rows |= {(*LOCAL, 2, local): kind, (*LOCAL, 3, local): identity}
    for number in (1, 2, 3):
        index = number + 100
        rows |= {
            (*IF, 3, index): 6,
            (*IF, 6, index): bytes((2, 0, 0, 0, 15, number)),
            (*IFX, 1, index): b"ge%d" % number,
        }
    client = RecordedClient(rows)
    interfaces, _ = await read_interfaces(client)
    (found,), _ = await read_neighbours(client, interfaces, BRIDGE)
    assert (found.port, found.chassis, found.name) == (port, "02:00:00:00:00:01", "gate")


async def test_a_neighbour_that_renews_itself_is_one() -> None:
    """The time mark in the index moves with each renewal; port and index are the neighbour. A network address is no MAC."""
    rows = neighbour(2, mark=10) | neighbour(2, mark=90)
    assert len((await read_neighbours(RecordedClient(rows), [], BRIDGE))[0]) == 1
    (named,), _ = await read_neighbours(RecordedClient(neighbour(2, kind=7, chassis=b"abcdef")), [], BRIDGE)
    assert named.chassis == "abcdef"


def entity(index: int, kind: int, *, firmware: bytes = b"", software: bytes = b"") -> dict[Oid, Value]:
    """Give one part of a switch."""
    return {(*ENTITY, 5, index): kind, (*ENTITY, 9, index): firmware, (*ENTITY, 10, index): software}


DESCRIPTION: dict[Oid, Value] = {(*SYSTEM, 1, 0): b"Invented\r\nswitch\x00rest", (*SYSTEM, 3, 0): 100}
FIRMWARES = [
    ("the chassis's software", entity(1, 3, firmware=b"boot 1", software=b"OS 2"), "OS 2"),
    ("its firmware, where that is all", entity(1, 3, firmware=b"boot 1"), "boot 1"),
    ("not that of a module", entity(1, 9, software=b"module") | entity(2, 3, software=b"OS 2"), "OS 2"),
    ("that of a part, where no chassis is", entity(5, 9, software=b"OS 3"), "OS 3"),
    ("the description, in one line, where nothing else is", {}, "Invented switch"),
]


@pytest.mark.parametrize(("rows", "text"), [row[1:] for row in FIRMWARES], ids=[row[0] for row in FIRMWARES])
async def test_the_firmware_is_the_text_that_changes_with_it(rows: dict[Oid, Value], text: str) -> None:
    """RFC 6933, entPhysicalTable: chassis is class 3; without the table sysDescr has to do."""
    assert (await read_system(RecordedClient(DESCRIPTION | rows))).firmware == text


async def test_two_supplies_and_their_ports_are_kept_apart() -> None:
    """RFC 3621: both tables are indexed by group first; a class is enum minus one, and only while a port delivers."""
    rows: dict[Oid, Value] = {}
    for group in (1, 2):
        rows |= {(*SUPPLY_TABLE, 2, group): 100 * group, (*SUPPLY_TABLE, 4, group): 7 * group}
        rows |= {(*PORT_TABLE, 3, group, 1): 1, (*PORT_TABLE, 6, group, 1): 1 + group, (*PORT_TABLE, 10, group, 1): 4}
    supplies, ports, trouble = await read_power(RecordedClient(rows))
    assert [(one.group, one.rating, one.consumption) for one in supplies] == [(1, 100, 7), (2, 200, 14)]
    assert [(one.group, one.number, one.status, one.power_class) for one in ports] == [
        (1, 1, "searching", None),
        (2, 1, "delivering", 3),
    ]
    assert not trouble


def test_a_neighbours_own_word_counts_before_what_was_learnt() -> None:
    """A switch below by the name that it gives itself, an access point by its chassis; a table that says otherwise is older."""
    hangs = Hangs(
        "link:switch/loft",
        above=frozenset({MAC}),
        below={"link:switch/shed": frozenset({"shed"}), "link:access_point/hall": frozenset({OTHER})},
    )
    said = [Neighbour(8, MAC, "gate", ""), Neighbour(4, "02:00:00:00:00:09", "shed", ""), Neighbour(2, OTHER, "", "")]
    found = find_links(hangs, {OTHER: frozenset({4}), MAC: frozenset({4})}, said)
    assert found == {
        8: Way("link:switch/loft", upward=True),
        4: Way("link:switch/shed", upward=False),
        2: Way("link:access_point/hall", upward=False),
    }


def test_two_things_behind_one_port_are_on_neither() -> None:
    """Another switch is in between, and what passes the port is not one link's load."""
    hangs = Hangs("link:switch/loft", below={f"link:access_point/{one}": frozenset({one}) for one in (MAC, OTHER)})
    assert find_links(hangs, {MAC: frozenset({4}), OTHER: frozenset({4})}, ()) == {}
    assert find_links(hangs, {MAC: frozenset({4}), OTHER: frozenset({5})}, ()).keys() == {4, 5}


def test_the_plans_word_for_the_uplink_counts_first() -> None:
    """A port that the plan names is the uplink, whatever was learnt where."""
    hangs = Hangs("link:switch/loft", uplink_port=1, above=frozenset({MAC}))
    assert find_links(hangs, {MAC: frozenset({4})}, ()) == {1: Way("link:switch/loft", upward=True)}
