"""BRIDGE-MIB and Q-BRIDGE-MIB: which bridge port is which interface, and behind which port each MAC is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.observe.snmp.walk import walk
from netaudit.wire.ethernet import mac_text

if TYPE_CHECKING:
    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid

# RFC 4188: dot1dBasePortIfIndex, and the port and status columns of dot1dTpFdbTable (index: MAC).
PORT_IF_INDEX: Final[Oid] = (1, 3, 6, 1, 2, 1, 17, 1, 4, 1, 2)
FDB_PORT: Final[Oid] = (1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 2)
FDB_STATUS: Final[Oid] = (1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 3)
# RFC 4363: the same of dot1qTpFdbTable. Its address column can't be read: fdbId and MAC are the index.
Q_FDB_PORT: Final[Oid] = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 2)
Q_FDB_STATUS: Final[Oid] = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 3)
SELF: Final = 4
MOST_PORTS: Final = 1024


async def read_bridge_ports(client: SnmpClient) -> dict[int, int]:
    """
    Give the ifIndex of each bridge port; empty when it is no bridge.

    Raises:    LookError: no answer.
    """
    column = await walk(client, PORT_IF_INDEX, most_rows=MOST_PORTS)
    return {index[0]: value for index, value in column.numbers().items() if len(index) == 1 and value > 0}


async def read_forwarding(client: SnmpClient) -> tuple[dict[str, frozenset[int]], str]:
    """
    Give the bridge ports behind which each MAC was learnt, and why the table is not whole (empty when it is).

    One MAC may be behind several ports: each VLAN with its own table may have learnt it elsewhere. Group addresses, the
    switch's own and those with port 0 (learnt, port not known) are left out.

    Raises:    LookError: no answer.
    """
    ports: dict[str, set[int]] = {}
    trouble = ""
    for port_column, status_column, parts in ((Q_FDB_PORT, Q_FDB_STATUS, 7), (FDB_PORT, FDB_STATUS, 6)):
        column = await walk(client, port_column)
        # Agents with VLANs give the Q table; many give the plain one as well, for one of the VLANs or for all.
        if not column.rows and not column.trouble:
            continue
        trouble = trouble or (column.trouble and f"forwarding table: {column.trouble}")
        status = (await walk(client, status_column)).rows
        for index, port in column.numbers().items():
            octets = index[-6:]
            if len(index) != parts or any(octet > 255 for octet in octets) or octets[0] & 1:
                continue
            if port > 0 and status.get(index) != SELF:
                ports.setdefault(mac_text(bytes(octets)), set()).add(port)
        break
    return {mac: frozenset(found) for mac, found in sorted(ports.items())}, trouble
