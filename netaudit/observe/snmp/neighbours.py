"""LLDP-MIB: who says that it is plugged into which port."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.observe.snmp.system import text_of
from netaudit.observe.snmp.tables import Neighbour
from netaudit.observe.snmp.walk import walk
from netaudit.wire.ethernet import mac_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid, Value
    from netaudit.observe.snmp.tables import Interface

# IEEE 802.1AB-2005, 12.2: lldpRemTable (index: time mark, local port number, index) and lldpLocPortTable.
REMOTE: Final[Oid] = (1, 0, 8802, 1, 1, 2, 1, 4, 1, 1)
LOCAL: Final[Oid] = (1, 0, 8802, 1, 1, 2, 1, 3, 7, 1)
_CHASSIS_KIND, _CHASSIS, _PORT_KIND, _PORT, _PORT_TEXT, _NAME = 4, 5, 6, 7, 8, 9
_LOCAL_KIND, _LOCAL_ID = 2, 3
# 802.1AB-2005, 9.5.2 and 9.5.3: 4 is a MAC for a chassis but a network address for a port, whose MAC is 3.
CHASSIS_MAC: Final = 4
PORT_MAC: Final = 3
PORT_IF_NAME: Final = 5
# Four neighbours on each of 416 ports would be a hub behind each.
MOST_NEIGHBOURS: Final = 2048


async def read_neighbours(
    client: SnmpClient, interfaces: Sequence[Interface], bridge_ports: Mapping[int, int]
) -> tuple[list[Neighbour], str]:
    """
    Read who is there, with the ports counted as the bridge counts them, and why the table is not whole.

    Raises:    LookError: no answer.
    """
    chassis = await walk(client, (*REMOTE, _CHASSIS), most_rows=MOST_NEIGHBOURS)
    if not chassis.rows:
        return [], chassis.trouble and f"neighbours: {chassis.trouble}"
    columns = {
        number: (await walk(client, (*REMOTE, number), most_rows=MOST_NEIGHBOURS)).rows
        for number in (_CHASSIS_KIND, _PORT_KIND, _PORT, _PORT_TEXT, _NAME)
    }
    local_kind = (await walk(client, (*LOCAL, _LOCAL_KIND), most_rows=MOST_NEIGHBOURS)).rows
    local_id = (await walk(client, (*LOCAL, _LOCAL_ID), most_rows=MOST_NEIGHBOURS)).rows
    # (local port, index) without the time mark: an entry that is renewed moves to another mark, and is the same.
    found: dict[tuple[int, int], Neighbour] = {}
    for index, value in sorted(chassis.rows.items()):
        if len(index) != 3:
            continue
        _, local, number = index
        port = _bridge_port(
            local, local_kind.get((local,)), local_id.get((local,)), interfaces=interfaces, bridge_ports=bridge_ports
        )
        found[local, number] = Neighbour(
            port=port,
            chassis=_identity(columns[_CHASSIS_KIND].get(index), value, mac_kind=CHASSIS_MAC),
            name=text_of(columns[_NAME].get(index)),
            port_name=text_of(columns[_PORT_TEXT].get(index))
            or _identity(columns[_PORT_KIND].get(index), columns[_PORT].get(index, b""), mac_kind=PORT_MAC),
        )
    return list(found.values()), chassis.trouble and f"neighbours: {chassis.trouble}"


def _identity(kind: Value | None, value: Value, *, mac_kind: int) -> str:
    if kind == mac_kind and isinstance(value, bytes) and len(value) == 6:
        return mac_text(value)
    return text_of(value)


def _bridge_port(
    local: int,
    kind: Value | None,
    identity: Value | None,
    *,
    interfaces: Sequence[Interface],
    bridge_ports: Mapping[int, int],
) -> int:
    """
    Find the bridge port that a local port number of LLDP means.

    The number may be a bridge port or an ifIndex (802.1AB-2005, lldpPortNumber, leaves it open); what the port calls
    itself decides where it can.
    """
    of_interface = {if_index: port for port, if_index in bridge_ports.items()}
    named = text_of(identity)
    for one in interfaces:
        same_name = kind == PORT_IF_NAME and named and named == one.name
        same_mac = (
            kind == PORT_MAC and isinstance(identity, bytes) and len(identity) == 6 and mac_text(identity) == one.mac
        )
        if (same_name or same_mac) and one.index in of_interface:
            return of_interface[one.index]
    if local in bridge_ports:
        return local
    return of_interface.get(local, local)
