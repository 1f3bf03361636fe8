"""
What a service tells its manager: that it is ready, that it lives, that it reloads or stops.

One datagram of NAME=VALUE lines to the socket that the manager names (sd_notify(3)); without a manager it is told to nobody.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

log = logging.getLogger(__name__)

# A manager that doesn't read its socket must not hold up the loop for long.
SEND_TIMEOUT_S: Final = 0.5


def tell(said: str, environ: Mapping[str, str]) -> bool:
    """Tell the manager, such as "READY=1"; False if there is none or it can't be told."""
    address = environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as way:
            way.settimeout(SEND_TIMEOUT_S)
            way.sendto(said.encode(), f"\0{address[1:]}" if address.startswith("@") else address)
    except OSError as error:
        log.warning("the service's manager can't be told %r: %s", said, error.strerror or error)
        return False
    return True


def alive_every_s(environ: Mapping[str, str]) -> float | None:
    """Give how often the manager wants to hear from this process: half of its patience; None if it doesn't ask."""
    patience_us, pid = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not patience_us.isdecimal() or int(patience_us) == 0 or pid not in ("", str(os.getpid())):
        return None
    return int(patience_us) / 2e6


async def stay_alive(environ: Mapping[str, str]) -> None:
    """Say again and again that this loop turns, until cancelled; returns at once if nobody asks."""
    every_s = alive_every_s(environ)
    while every_s is not None:
        tell("WATCHDOG=1", environ)
        await asyncio.sleep(every_s)
