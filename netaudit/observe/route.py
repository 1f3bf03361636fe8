"""Where this box sends what is for elsewhere: the kernel's own table of routes."""

from __future__ import annotations

from ipaddress import IPv4Address
from typing import Final

# Linux, include/uapi/linux/route.h: the route is up, and leads over a gateway.
_UP_GATEWAY: Final = 0x0001 | 0x0002


def gateway_of(interface: str, table: str) -> IPv4Address | None:
    """
    Find the gateway of an interface's default route; None when it has none.

    Args:      table: what /proc/net/route holds: Iface Destination Gateway Flags RefCnt Use Metric Mask ..., with addresses in
               hexadecimal, as the machine keeps a word (here its low octet first).
    Source:    Linux, net/ipv4/fib_trie.c, fib_route_seq_show.
    """
    best: tuple[int, IPv4Address] | None = None
    for line in table.splitlines()[1:]:
        words = line.split()
        if len(words) < 8 or words[0] != interface:
            continue
        try:
            destination, gateway, flags, mask = (int(words[at], 16) for at in (1, 2, 3, 7))
            metric = int(words[6])
        except ValueError:
            continue
        if destination == mask == 0 and flags & _UP_GATEWAY == _UP_GATEWAY and gateway <= 0xFFFFFFFF:
            found = (metric, IPv4Address(gateway.to_bytes(4, "little")))
            best = found if best is None else min(best, found)
    return best[1] if best is not None else None
