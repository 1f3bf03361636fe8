"""IF-MIB: each interface with its speed, state and counters, the 64-bit ones wherever the agent has them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.observe.snmp.counters import BITS_32, BITS_64, FASTEST_BPS
from netaudit.observe.snmp.system import text_of
from netaudit.observe.snmp.tables import Interface
from netaudit.observe.snmp.walk import Column, walk
from netaudit.wire.ethernet import mac_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid

# RFC 2863: columns of ifTable and ifXTable.
IF_TABLE: Final[Oid] = (1, 3, 6, 1, 2, 1, 2, 2, 1)
IFX_TABLE: Final[Oid] = (1, 3, 6, 1, 2, 1, 31, 1, 1, 1)
_IF: Final = {
    "type": 3,
    "speed": 5,
    "mac": 6,
    "oper": 8,
    "in_32": 10,
    "in_discards": 13,
    "in_errors": 14,
    "out_32": 16,
    "out_discards": 19,
    "out_errors": 20,
}
_IFX: Final = {
    "name": 1,
    "in_64": 6,
    "in_unicast": 7,
    "in_multicast": 8,
    "in_broadcast": 9,
    "out_64": 10,
    "out_unicast": 11,
    "out_multicast": 12,
    "out_broadcast": 13,
    "high_speed": 15,
    "connector": 17,
    "reset": 19,
}
UP: Final = 1
# IANAifType: ethernetCsmacd, and what older agents call fast and gigabit Ethernet (62, 69, 117), deprecated by RFC 3635.
ETHERNET: Final = frozenset((6, 62, 69, 117))
# IANAifType ieee8023adLag.
AGGREGATE: Final = 161
NO_CONNECTOR: Final = 2
# A stack of eight switches with 52 sockets has 416, and as many VLAN interfaces again.
MOST_INTERFACES: Final = 1024
# RFC 2863: ifSpeed says this when it can't say more; ifHighSpeed does then.
SPEED_OVERFLOW: Final = (1 << 32) - 1


async def read_interfaces(client: SnmpClient) -> tuple[list[Interface], str]:
    """
    Read the interfaces by ifIndex, and why the table is not whole (empty when it is).

    Raises:    LookError: no answer.
    """
    columns: dict[str, Column] = {}
    for table, names in ((IF_TABLE, _IF), (IFX_TABLE, _IFX)):
        for name, number in names.items():
            columns[name] = await walk(client, (*table, number), most_rows=MOST_INTERFACES)
    trouble = next((f"interfaces: {column.trouble}" for column in columns.values() if column.trouble), "")
    found = []
    for index, kind in sorted(columns["type"].numbers().items()):
        if len(index) == 1:
            found.append(_interface(index, kind, columns))
    return found, trouble


def _interface(index: Oid, kind: int, columns: Mapping[str, Column]) -> Interface:
    def number(name: str) -> int | None:
        value = columns[name].rows.get(index)
        return value if isinstance(value, int) and value >= 0 else None

    def frames(way: str) -> int | None:
        parts = [number(f"{way}_{cast}") for cast in ("unicast", "multicast", "broadcast")]
        known = [part for part in parts if part is not None]
        # Added as counters are: modulo 2^64, so that the sum is one again.
        return sum(known) % (1 << BITS_64) if len(known) == len(parts) else None

    wide = number("in_64") is not None and number("out_64") is not None
    mac = columns["mac"].rows.get(index)
    return Interface(
        index=index[0],
        name=text_of(columns["name"].rows.get(index)),
        mac=mac_text(mac) if isinstance(mac, bytes) and len(mac) == 6 else "",
        physical=kind in ETHERNET and number("connector") != NO_CONNECTOR,
        aggregate=kind == AGGREGATE,
        up=number("oper") == UP,
        speed_bps=speed_bps(number("speed"), number("high_speed")),
        bits=BITS_64 if wide else BITS_32,
        octets_in=number("in_64" if wide else "in_32"),
        octets_out=number("out_64" if wide else "out_32"),
        frames_in=frames("in"),
        frames_out=frames("out"),
        errors=(number("in_errors"), number("out_errors")),
        discards=(number("in_discards"), number("out_discards")),
        reset=number("reset") or 0,
    )


def speed_bps(speed: int | None, high_speed_mbps: int | None) -> float:
    """
    Give an interface's speed from what it says [bit/s]; 0 when it doesn't, or says more than there is.

    Source:    RFC 2863, 3.1.7: ifHighSpeed is in 1,000,000 bit/s, rounded; below 1 Mb/s only ifSpeed tells.
    """
    if high_speed_mbps:
        return high_speed_mbps * 1e6 if high_speed_mbps * 1e6 <= FASTEST_BPS else 0.0
    return float(speed) if speed and speed < SPEED_OVERFLOW else 0.0
