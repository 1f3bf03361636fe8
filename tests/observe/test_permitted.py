"""Where the program may look, and where never."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

import pytest

from netaudit.errors import LookError
from netaudit.observe.permitted import check_address, check_network

# RFC 1918, 6598, 3927, 1122, 5737, 2544, 4193, 4291, 3849, 9637: first and last address of each range, and the next ones
# outside.
INSIDE = [
    "10.0.0.0", "10.255.255.255", "172.16.0.0", "172.31.255.255", "192.168.0.0", "192.168.255.255",
    "100.64.0.0", "100.127.255.255", "169.254.0.0", "169.254.255.255", "127.0.0.1", "192.0.2.0", "192.0.2.255",
    "198.51.100.0", "198.51.100.255", "203.0.113.0", "203.0.113.255", "198.18.0.0", "198.19.255.255",
    "fc00::", "fdff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "fe80::", "febf:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "::1",
    "2001:db8::", "2001:db8:ffff:ffff:ffff:ffff:ffff:ffff", "3fff::", "3fff:fff:ffff:ffff:ffff:ffff:ffff:ffff",
]  # fmt: skip
OUTSIDE = [
    "9.255.255.255", "11.0.0.0", "172.15.255.255", "172.32.0.0", "192.167.255.255", "192.169.0.0", "100.63.255.255",
    "100.128.0.0", "169.253.255.255", "169.255.0.0", "126.255.255.255", "128.0.0.0", "192.0.1.255", "192.0.3.0",
    "198.51.99.255", "198.51.101.0", "203.0.112.255", "203.0.114.0", "198.17.255.255", "198.20.0.0", "8.8.8.8", "0.0.0.0",  # noqa: S104 - refused, not bound to
    "224.0.0.1", "255.255.255.255", "fbff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "fe00::", "fec0::", "::", "::2",
    "2001:db7:ffff:ffff:ffff:ffff:ffff:ffff", "2001:db9::", "3ffe::", "3fff:1000::", "ff02::1", "2000::", "::ffff:10.0.0.1",
]  # fmt: skip


@pytest.mark.parametrize("address", INSIDE)
def test_private_and_documentation_ranges_are_allowed(address: str) -> None:
    """Both ends of every range that the RFCs name."""
    check_network(ip_network(address))
    check_address(ip_address(address), [ip_network(address)])


@pytest.mark.parametrize("address", OUTSIDE)
def test_everything_else_is_refused_even_if_the_plan_names_it(address: str) -> None:
    """The neighbours of every range, public and multicast addresses."""
    with pytest.raises(LookError, match="private"):
        check_network(ip_network(address))
    with pytest.raises(LookError, match="no private address"):
        check_address(ip_address(address), [ip_network(address)])


# RFC 5771 and RFC 1112: neither is anybody's public address.
@pytest.mark.parametrize(
    ("address", "use"), [("224.0.0.1", "multicast"), ("240.0.0.1", "reserved"), ("8.8.8.8", "public")]
)
def test_a_refusal_says_what_the_address_is_for(address: str, use: str) -> None:
    """Whoever named it learns what it is."""
    with pytest.raises(LookError, match=rf"\({use}\)"):
        check_address(ip_address(address), [ip_network(address)])


def test_a_network_that_is_private_only_in_part_is_refused() -> None:
    """One public address is enough."""
    for network in (
        IPv4Network("172.0.0.0/11"),
        IPv4Network("0.0.0.0/0"),
        IPv6Network("::/0"),
        IPv6Network("fc00::/6"),
    ):
        with pytest.raises(LookError):
            check_network(network)


def test_an_address_outside_of_the_given_networks_is_refused_though_private() -> None:
    """Only what the plan names is looked at."""
    plan: list[IPv4Network | IPv6Network] = [IPv4Network("192.168.1.0/24"), IPv6Network("fd00::/64")]
    check_address(IPv4Address("192.168.1.7"), plan)
    check_address(IPv6Address("fd00::7"), plan)
    for address in (IPv4Address("192.168.2.7"), IPv6Address("fd00:0:0:1::7"), IPv4Address("10.0.0.1")):
        with pytest.raises(LookError, match="add its segment to the plan"):
            check_address(address, plan)
    with pytest.raises(LookError, match="none"):
        check_address(IPv4Address("192.168.1.7"), [])
