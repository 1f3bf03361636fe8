"""Does a service take connections: one TCP connection, closed again at once, and how long it took to open."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange
from netaudit.observe.observation import Sample
from netaudit.observe.permitted import check_address

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network


class Door(StrEnum):
    """How the other side reacted (RFC 9293, 3.10.7): accepted, refused by a reset, no answer, or no way there."""

    OPEN = "open"
    REFUSED = "refused"
    SILENT = "silent"
    UNREACHABLE = "unreachable"


@dataclass(frozen=True, slots=True)
class Connection:
    """What came of it; `sample` has kind `connect_s`, value None unless the door is open."""

    sample: Sample
    door: Door


async def connect(
    address: IPv4Address | IPv6Address,
    port: int,
    *,
    place: str,
    networks: Sequence[IPv4Network | IPv6Network],
    timeout_s: float = 3.0,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Connection:
    """
    Open a TCP connection and close it without a word.

    The default time-out covers one lost SYN, which is sent again after one second (RFC 6298, 2.1). The time is this
    process's own: a busy event loop adds to it.

    Args:      port 1 to 65535; place: whom the sample is about; networks: of the plan; timeout_s [s]; now: aware UTC.
    Raises:    LookError: the address is not ours to look at. OutOfRange: the port or the time.
    """
    check_address(address, networks)
    if not 1 <= port <= 65535 or not 0 < timeout_s <= 60:
        raise OutOfRange(f"port {port}, time-out {timeout_s:g} s: write 1 to 65535, and over 0 to 60")
    loop = asyncio.get_running_loop()
    at, began_s = now(), loop.time()
    door = Door.OPEN
    try:
        async with asyncio.timeout(timeout_s):
            _, writer = await asyncio.open_connection(str(address), port)
        took_s = loop.time() - began_s
        # A polite end would wait for the other side's; all we wanted to know is known.
        writer.transport.abort()
    except TimeoutError:
        door = Door.SILENT
    except ConnectionRefusedError:
        door = Door.REFUSED
    except OSError:
        door = Door.UNREACHABLE
    return Connection(Sample(at, place, "connect_s", took_s if door is Door.OPEN else None), door)
