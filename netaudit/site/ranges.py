"""
What addresses are for, by explicit RFC lists: `ipaddress` changed its mind about some between Python releases.

A plan may use private ranges, and the program looks only at networks inside these; everything else is somebody else's.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Set as AbstractSet

PRIVATE: Final = "private"
SHARED: Final = "shared (carrier NAT)"  # some sites run on it
DOCUMENTATION: Final = "documentation"
BENCHMARKING: Final = "benchmarking"  # for laboratories
UNIQUE_LOCAL: Final = "unique local"
LINK_LOCAL: Final = "link local"
LOOPBACK: Final = "loopback"
MULTICAST: Final = "multicast"
RESERVED: Final = "reserved"
PUBLIC: Final = "public"


@dataclass(frozen=True, slots=True)
class Range:
    """A block of addresses and what its RFC keeps it for."""

    network: IPv4Network | IPv6Network
    use: str
    source: str


# The most specific comes first.
RANGES: Final = tuple(
    Range(ip_network(network), use, source)
    for network, use, source in (
        ("10.0.0.0/8", PRIVATE, "RFC 1918 3"),
        ("172.16.0.0/12", PRIVATE, "RFC 1918 3"),
        ("192.168.0.0/16", PRIVATE, "RFC 1918 3"),
        ("100.64.0.0/10", SHARED, "RFC 6598"),
        ("192.0.2.0/24", DOCUMENTATION, "RFC 5737"),
        ("198.51.100.0/24", DOCUMENTATION, "RFC 5737"),
        ("203.0.113.0/24", DOCUMENTATION, "RFC 5737"),
        ("198.18.0.0/15", BENCHMARKING, "RFC 2544; RFC 6890"),
        ("169.254.0.0/16", LINK_LOCAL, "RFC 3927"),
        ("127.0.0.0/8", LOOPBACK, "RFC 1122"),
        ("224.0.0.0/4", MULTICAST, "RFC 5771"),
        ("255.255.255.255/32", "limited broadcast", "RFC 919; RFC 8190"),
        ("0.0.0.0/8", "this network", "RFC 791; RFC 6890"),
        ("192.0.0.0/24", RESERVED, "RFC 6890: IETF protocol assignments"),
        ("192.88.99.0/24", RESERVED, "RFC 7526: formerly 6to4 relays"),
        ("240.0.0.0/4", RESERVED, "RFC 1112 4"),
        ("ff02::1/128", "all nodes", "RFC 4291"),
        ("ff02::2/128", "all routers", "RFC 4291"),
        ("ff00::/8", MULTICAST, "RFC 4291"),
        ("fc00::/7", UNIQUE_LOCAL, "RFC 4193"),
        ("fe80::/10", LINK_LOCAL, "RFC 4291"),
        ("2001:db8::/32", DOCUMENTATION, "RFC 3849"),
        ("3fff::/20", DOCUMENTATION, "RFC 9637"),
        ("::1/128", LOOPBACK, "RFC 4291"),
        ("::/128", "unspecified", "RFC 4291"),
    )
)

# What a plan's segments may be, and what else is looked at when it is named: never anybody else's on the internet.
PLANNED_USES: Final = frozenset((PRIVATE, SHARED, DOCUMENTATION, BENCHMARKING))
OWN_USES: Final = PLANNED_USES | {UNIQUE_LOCAL, LINK_LOCAL, LOOPBACK}


def use_of(address: IPv4Address | IPv6Address) -> str:
    """
    Say what an address is for: "private", "documentation", "link local" ..., "public" where no RFC keeps it back.

    Source:    the RFCs named in `RANGES`.
    """
    return next((known.use for known in RANGES if address in known.network), PUBLIC)


def contains(outer: IPv4Network | IPv6Network, inner: IPv4Network | IPv6Network) -> bool:
    """Say whether all of `inner` lies in `outer`; networks of different families never do."""
    if isinstance(outer, IPv4Network):
        return isinstance(inner, IPv4Network) and inner.subnet_of(outer)
    return isinstance(inner, IPv6Network) and inner.subnet_of(outer)


def is_plannable(network: IPv4Network) -> bool:
    """Say whether a network lies in a range that a private site may use."""
    return _lies_in(network, PLANNED_USES)


def is_own(network: IPv4Network | IPv6Network) -> bool:
    """Say whether all of a network lies in a range that may be looked at."""
    return _lies_in(network, OWN_USES)


def _lies_in(network: IPv4Network | IPv6Network, uses: AbstractSet[str]) -> bool:
    return any(contains(known.network, network) for known in RANGES if known.use in uses)


def is_loopback(host: str) -> bool:
    """Say whether who listens on this address or name is reached from the same machine only (RFC 1122, RFC 4291, RFC 6761)."""
    if host.lower() == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
