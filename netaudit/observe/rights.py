"""What this process may do on the wire, and what is left when it may not."""

from __future__ import annotations

import socket
from dataclasses import dataclass

from netaudit.errors import LookError

WITHOUT_RAW = (
    "looking at the segment needs CAP_NET_RAW and nothing else: start netaudit by its service unit, "
    "or with `sudo setpriv --ambient-caps +net_raw --inh-caps +net_raw` before the command; without it the ARP and ND sweep and the passive "
    "listener stay off, while echo probes by the kernel's ping socket, name, DHCP-free service checks and switch "
    "counters still work"
)


@dataclass(frozen=True, slots=True)
class Rights:
    """
    What the kernel lets this process open.

    `raw`: packet sockets (CAP_NET_RAW): sweeps, the listener, exact echo probes. `ping`: the unprivileged ping socket
    (the process's group is within sysctl net.ipv4.ping_group_range): echo probes for up to some hundred targets.
    """

    raw: bool
    ping: bool

    @property
    def missing(self) -> str:
        """One line on what is missing and what works without it; empty when nothing is."""
        if self.raw:
            return ""
        if self.ping:
            return WITHOUT_RAW
        return f"{WITHOUT_RAW}; the ping socket needs this process's group in sysctl net.ipv4.ping_group_range"


def own_rights() -> Rights:
    """Find out by trying: each socket is closed again at once and nothing is sent."""
    return Rights(
        raw=_opens(socket.AF_PACKET, socket.SOCK_RAW, 0),
        ping=_opens(socket.AF_INET, socket.SOCK_DGRAM, socket.IPPROTO_ICMP),
    )


def need_raw(rights: Rights) -> None:
    """
    Refuse to go on without raw sockets.

    Raises:    LookError: says what is missing and what works without it.
    """
    if not rights.raw:
        raise LookError(rights.missing)


def _opens(family: int, kind: int, protocol: int) -> bool:
    try:
        socket.socket(family, kind, protocol).close()
    except OSError:
        return False
    return True
