"""POWER-ETHERNET-MIB: what a supply delivers, to which ports, and whether it counts in watts or in milliwatts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from netaudit.observe.snmp.tables import PoweredPort, PowerSupply
from netaudit.observe.snmp.walk import walk

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid

Unit = Literal["W", "mW"]

# RFC 3621: pethPsePortTable (index: group, port) and pethMainPseTable (index: group).
PORT_TABLE: Final[Oid] = (1, 3, 6, 1, 2, 1, 105, 1, 1, 1)
SUPPLY_TABLE: Final[Oid] = (1, 3, 6, 1, 2, 1, 105, 1, 3, 1, 1)
_ENABLED, _STATUS, _CLASS = 3, 6, 10
_RATING, _CONSUMPTION = 2, 4
STATUS: Final = {1: "disabled", 2: "searching", 3: "delivering", 4: "fault", 5: "test", 6: "other fault"}
DELIVERING: Final = "delivering"
FAULTS: Final = ("fault", "other fault")
MOST_PORTS: Final = 1024
# What a port gives at most by its class [W]: IEEE 802.3-2018, Table 33-18 for classes 0 to 3. The MIB stops at class 4, and what
# 802.3bt feeds with up to 99.9 W (Table 145-16, from memory) may show up there too.
MOST_BY_CLASS_W: Final = {0: 15.4, 1: 4.0, 2: 7.0, 3: 15.4, 4: 99.9}
# Two supplies of a large stackable switch give some 3 kW; a "watt" rating above this is one in milliwatts. From memory.
LARGEST_SUPPLY_W: Final = 10_000
# A supply may give a little more than its rating for a moment, and rounds.
SLACK: Final = 1.1


async def read_power(client: SnmpClient) -> tuple[list[PowerSupply], list[PoweredPort], str]:
    """
    Read supplies and ports, and why the tables are not whole; all empty when it feeds nobody.

    Raises:    LookError: no answer.
    """
    rating = await walk(client, (*SUPPLY_TABLE, _RATING), most_rows=MOST_PORTS)
    if not rating.rows:
        return [], [], rating.trouble and f"power: {rating.trouble}"
    consumption = (await walk(client, (*SUPPLY_TABLE, _CONSUMPTION), most_rows=MOST_PORTS)).numbers()
    supplies = [
        PowerSupply(index[0], watts, consumption[index])
        for index, watts in rating.numbers().items()
        if len(index) == 1 and index in consumption and watts >= 0 and consumption[index] >= 0
    ]
    status = await walk(client, (*PORT_TABLE, _STATUS), most_rows=MOST_PORTS)
    enabled = (await walk(client, (*PORT_TABLE, _ENABLED), most_rows=MOST_PORTS)).numbers()
    classes = (await walk(client, (*PORT_TABLE, _CLASS), most_rows=MOST_PORTS)).numbers()
    ports = []
    for index, number in status.numbers().items():
        if len(index) != 2 or number not in STATUS:
            continue
        # RFC 3621: class0(1) to class4(5), and without a meaning unless it delivers.
        told = classes.get(index, 0) - 1
        delivers = STATUS[number] == DELIVERING
        ports.append(
            PoweredPort(
                group=index[0],
                number=index[1],
                enabled=enabled.get(index) == 1,
                status=STATUS[number],
                power_class=told if delivers and told in MOST_BY_CLASS_W else None,
            )
        )
    trouble = rating.trouble or status.trouble
    return supplies, ports, trouble and f"power: {trouble}"


def unit_of(supply: PowerSupply, ports: Iterable[PoweredPort], *, planned_w: float) -> Unit | None:
    """
    Find out in what a supply counts what it delivers; None when it can be neither.

    The standard says watts, some agents say milliwatts. It is milliwatts when it would be more watts than the supply has, or
    than the ports that deliver can take; where both fit the standard is believed.

    Args:      planned_w of the plan, 0 when it doesn't say: the measure for a rating that is itself in milliwatts.
    """
    rating_w = rating_of(supply.rating, planned_w=planned_w)
    fed = [port for port in ports if port.group == supply.group and port.status == DELIVERING]
    by_ports_w = sum(MOST_BY_CLASS_W[4 if port.power_class is None else port.power_class] for port in fed)
    # Without a port that delivers there may still be a table of ports that isn't told.
    most_w = min(rating_w, by_ports_w) if fed else rating_w
    if supply.consumption <= most_w * SLACK:
        return "W"
    return "mW" if supply.consumption / 1000 <= rating_w * SLACK else None


def rating_of(rating: int, *, planned_w: float) -> float:
    """Give a supply's rating in watts [W]: the reading that comes nearer to the plan, or else the possible one."""
    if planned_w > 0 and rating > 0:
        return min((float(rating), rating / 1000), key=lambda watts: max(watts / planned_w, planned_w / watts))
    return rating / 1000 if rating > LARGEST_SUPPLY_W else float(rating)
