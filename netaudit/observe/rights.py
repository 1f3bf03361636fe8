"""What this process may do on the wire."""

from __future__ import annotations

import socket

from netaudit.errors import LookError

WITHOUT_RAW = (
    "looking at a segment needs CAP_NET_RAW and nothing else: start netaudit by its service unit, or with "
    "`sudo setpriv --ambient-caps +net_raw --inh-caps +net_raw` before the command; what reads plans, captures and databases needs no right"
)


def may_look() -> bool:
    """Find out by trying whether the kernel lets this process open packet sockets; it is closed again and nothing is sent."""
    try:
        socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0).close()
    except OSError:
        return False
    return True


def need_raw() -> None:
    """
    Refuse to go on without raw sockets.

    Raises:    LookError: says what is missing, how to give it, and what works without.
    """
    if not may_look():
        raise LookError(WITHOUT_RAW)
