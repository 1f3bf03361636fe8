"""Where the program may look: private and documentation ranges only, and of those only the networks it was given."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.errors import LookError
from netaudit.site.ranges import OWN_USES, is_own, use_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network


def check_network(network: IPv4Network | IPv6Network) -> None:
    """
    Refuse a network that isn't wholly private or for documentation.

    Raises:    LookError: it is public, at least in part.
    """
    if not is_own(network):
        raise LookError(
            f"{network} is not a private network: name one inside 10.0.0.0/8, 172.16.0.0/12, 192.168.0.0/16 or fc00::/7"
        )


def check_address(address: IPv4Address | IPv6Address, networks: Iterable[IPv4Network | IPv6Network]) -> None:
    """
    Refuse an address that lies in none of the given networks, or in a public one.

    Raises:    LookError: the address isn't ours to look at.
    """
    given = tuple(networks)
    if not any(address in network for network in given):
        listed = ", ".join(map(str, given)) or "none"
        raise LookError(f"{address} is outside of the networks of the plan ({listed}): add its segment to the plan")
    use = use_of(address)
    if use not in OWN_USES:
        raise LookError(f"{address} is no private address ({use}): only private networks are looked at")
