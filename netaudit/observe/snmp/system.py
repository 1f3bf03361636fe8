"""SNMPv2-MIB and ENTITY-MIB: who a switch says it is, how long it has run, which firmware it names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError
from netaudit.observe.snmp.tables import System
from netaudit.observe.snmp.walk import walk
from netaudit.wire.text import field_text

if TYPE_CHECKING:
    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid, Value

# RFC 3418.
DESCRIPTION: Final[Oid] = (1, 3, 6, 1, 2, 1, 1, 1, 0)
UPTIME: Final[Oid] = (1, 3, 6, 1, 2, 1, 1, 3, 0)
NAME: Final[Oid] = (1, 3, 6, 1, 2, 1, 1, 5, 0)
# RFC 6933, entPhysicalTable.
ENTITY_CLASS: Final[Oid] = (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1, 5)
ENTITY_FIRMWARE: Final[Oid] = (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1, 9)
ENTITY_SOFTWARE: Final[Oid] = (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1, 10)
CHASSIS: Final = 3
# A stack of eight with modules, fans and 52 sockets each has some 600 parts.
MOST_PARTS: Final = 1024


async def read_uptime(client: SnmpClient) -> int:
    """
    Give sysUpTime [hundredths of a second].

    Raises:    LookError: no answer, or none that is a time.
    """
    ticks = (await client.get([UPTIME])).get(UPTIME)
    if not isinstance(ticks, int) or ticks < 0:
        raise LookError("it answers, but doesn't say how long it has run (sysUpTime)")
    return ticks


async def read_system(client: SnmpClient) -> System:
    """
    Ask who it is.

    Raises:    LookError: no answer, or it doesn't say how long it has run.
    """
    told = await client.get([DESCRIPTION, UPTIME, NAME])
    ticks = told.get(UPTIME)
    if not isinstance(ticks, int) or ticks < 0:
        raise LookError("it answers, but doesn't say how long it has run (sysUpTime)")
    description = text_of(told.get(DESCRIPTION))
    return System(description, text_of(told.get(NAME)), ticks, await _firmware(client) or description)


async def _firmware(client: SnmpClient) -> str:
    """Give the software's revision of the chassis, else its firmware's; empty when it has no such table."""
    classes = (await walk(client, ENTITY_CLASS, most_rows=MOST_PARTS)).numbers()
    if not classes:
        return ""
    chassis = [index for index, kind in classes.items() if kind == CHASSIS] or list(classes)
    for column in (ENTITY_SOFTWARE, ENTITY_FIRMWARE):
        told = (await walk(client, column, most_rows=MOST_PARTS)).octets()
        for index in chassis:
            text = text_of(told.get(index))
            if text:
                return text
    return ""


def text_of(value: Value | None) -> str:
    """Read octets as one line of text, cut at 255 octets; empty when they are none."""
    text = field_text(value) if isinstance(value, bytes) else None
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split()) if text else ""
