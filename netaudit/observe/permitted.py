"""Where the program may look: private and documentation ranges only, and of those only the networks it was given."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import TYPE_CHECKING

from netaudit.errors import LookError

if TYPE_CHECKING:
    from collections.abc import Iterable

Network = IPv4Network | IPv6Network
Address = IPv4Address | IPv6Address

# The `ipaddress` module's is_private differs between Python versions (100.64.0.0/10, 192.0.0.0/24), so here is the list.
RANGES: tuple[tuple[Network, str], ...] = (
    (IPv4Network("10.0.0.0/8"), "RFC 1918"),
    (IPv4Network("172.16.0.0/12"), "RFC 1918"),
    (IPv4Network("192.168.0.0/16"), "RFC 1918"),
    (IPv4Network("100.64.0.0/10"), "RFC 6598, shared by carriers"),
    (IPv4Network("169.254.0.0/16"), "RFC 3927, link-local"),
    (IPv4Network("127.0.0.0/8"), "RFC 1122, loopback"),
    (IPv4Network("192.0.2.0/24"), "RFC 5737, documentation"),
    (IPv4Network("198.51.100.0/24"), "RFC 5737, documentation"),
    (IPv4Network("203.0.113.0/24"), "RFC 5737, documentation"),
    (IPv4Network("198.18.0.0/15"), "RFC 2544, benchmarks"),
    (IPv6Network("fc00::/7"), "RFC 4193, unique local"),
    (IPv6Network("fe80::/10"), "RFC 4291, link-local"),
    (IPv6Network("::1/128"), "RFC 4291, loopback"),
    (IPv6Network("2001:db8::/32"), "RFC 3849, documentation"),
    (IPv6Network("3fff::/20"), "RFC 9637, documentation"),
)


def contains(outer: Network, inner: Network) -> bool:
    """Say whether all of `inner` lies in `outer`; networks of different families never do."""
    if isinstance(outer, IPv4Network):
        return isinstance(inner, IPv4Network) and inner.subnet_of(outer)
    return isinstance(inner, IPv6Network) and inner.subnet_of(outer)


def check_network(network: Network) -> None:
    """
    Refuse a network that isn't wholly private or for documentation.

    Raises:    LookError: it is public, at least in part.
    """
    if not any(contains(allowed, network) for allowed, _ in RANGES):
        raise LookError(
            f"{network} is not a private network: name one inside 10.0.0.0/8, 172.16.0.0/12, 192.168.0.0/16 or fc00::/7"
        )


def check_address(address: Address, networks: Iterable[Network]) -> None:
    """
    Refuse an address that lies in none of the given networks, or in a public one.

    Raises:    LookError: the address isn't ours to look at.
    """
    given = tuple(networks)
    if not any(address in network for network in given):
        listed = ", ".join(map(str, given)) or "none"
        raise LookError(f"{address} is outside of the networks of the plan ({listed}): add its segment to the plan")
    if not any(address in allowed for allowed, _ in RANGES):
        raise LookError(f"{address} is a public address: only private networks are looked at")
