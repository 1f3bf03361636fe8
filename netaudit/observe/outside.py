"""
Does the way out work: a TCP connection to each host that the plan names, and to no other.

These hosts are the one exception to looking only at private networks, and the user's own wish. When none of them opens, the
router is asked as well: if it answers, the fault is beyond it; if it doesn't, it is inside.
"""

from __future__ import annotations

import asyncio
import socket
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from netaudit.observe.observation import Health, Notice, Sample

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence
    from datetime import datetime

    from netaudit.observe.observation import Observation

WAN: Final = "link:wan"
# Covers one lost SYN, which is sent again after one second (RFC 6298, 2.1), and a name that takes its time.
TIMEOUT_S: Final = 3.0


class Where(StrEnum):
    """Where the fault is when nothing outside can be reached."""

    INSIDE = "inside"
    BEYOND = "beyond the router"
    UNKNOWN = "unknown"


def place_fault(gateway_answers: bool | None) -> Where:  # noqa: FBT001 - one of three states, not a switch
    """Tell the two kinds of fault apart, given that nothing outside answers; None: the router could not be asked."""
    if gateway_answers is None:
        return Where.UNKNOWN
    return Where.BEYOND if gateway_answers else Where.INSIDE


async def look_outside(
    source: str,
    doors: Sequence[tuple[str, int]],
    *,
    gateway_answers: Callable[[], Awaitable[bool | None]],
    now: Callable[[], datetime],
    timeout_s: float = TIMEOUT_S,
) -> tuple[Observation, ...]:
    """
    Connect to each host at once; gives `connect_s` for each (None: no connection) and `outside_share` of those that opened.

    The time counts from the SYN, after the name was looked up. When none opens, a `way_out` notice says where the fault is.
    """
    at = now()
    found = await asyncio.gather(*(_connect(host, port, timeout_s) for host, port in doors))
    told: list[Observation] = [
        Sample(at, f"outside:{host}/{port}", "connect_s", took_s)
        for (host, port), (took_s, _) in zip(doors, found, strict=True)
    ]
    opened = sum(took_s is not None for took_s, _ in found)
    told.append(Sample(at, WAN, "outside_share", opened / len(doors)))
    reason = ""
    if not opened:
        gateway = await gateway_answers()
        where = place_fault(gateway)
        answer = {None: "unknown", True: "answers", False: "silent"}[gateway]
        told.append(Notice(at, WAN, "way_out", (("gateway", answer), ("where", where.value))))
        reasons = "; ".join(f"{host}:{port} {why}" for (host, port), (_, why) in zip(doors, found, strict=True))
        reason = f"nothing outside can be reached, the fault is {where.value}: {reasons}"
    return (*told, Health(now(), source, good=opened > 0, reason=reason))


async def _connect(host: str, port: int, timeout_s: float) -> tuple[float | None, str]:
    """Give how long the connection took [s], or None and why there is none."""
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(timeout_s):
            known = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (TimeoutError, OSError, UnicodeError):
        return None, "does not resolve"
    address = known[0][4]
    began_s = loop.time()
    try:
        async with asyncio.timeout(timeout_s):
            _, writer = await asyncio.open_connection(str(address[0]), port)
    except TimeoutError:
        return None, "is silent"
    except ConnectionRefusedError:
        return None, "refuses"
    except OSError as error:
        return None, (error.strerror or "can't be reached").lower()
    took_s = loop.time() - began_s
    writer.transport.abort()
    return took_s, ""
