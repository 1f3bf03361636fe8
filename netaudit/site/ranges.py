"""
Ranges that a plan may use, by explicit RFC lists: `ipaddress` changed its mind about some between Python releases.

The program looks only at networks inside these; everything else is somebody else's.
"""

from __future__ import annotations

from ipaddress import IPv4Network, ip_address
from typing import Final

PRIVATE: Final = tuple(map(IPv4Network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")))  # RFC 1918 section 3
SHARED: Final = (IPv4Network("100.64.0.0/10"),)  # RFC 6598: carrier NAT; some sites run on it
DOCUMENTATION: Final = tuple(map(IPv4Network, ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24")))  # RFC 5737
BENCHMARK: Final = (IPv4Network("198.18.0.0/15"),)  # RFC 2544, RFC 6890: for laboratories

PLANNABLE: Final = PRIVATE + SHARED + DOCUMENTATION + BENCHMARK


def is_plannable(network: IPv4Network) -> bool:
    """Say whether a network lies in a range that a private site may use."""
    return any(network.subnet_of(allowed) for allowed in PLANNABLE)


def is_loopback(host: str) -> bool:
    """Say whether who listens on this address or name is reached from the same machine only (RFC 1122, RFC 4291, RFC 6761)."""
    if host.lower() == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
