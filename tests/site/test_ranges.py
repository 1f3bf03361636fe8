"""What each address is for, and which networks may be planned."""

from __future__ import annotations

from ipaddress import IPv4Network, ip_address

import pytest

from netaudit.site.ranges import is_plannable, use_of

# First and last /24 inside, and their neighbours outside: RFC 1918 section 3, RFC 6598 section 7, RFC 5737 section 3.
INSIDE = ["10.0.0.0/24", "10.255.255.0/24", "172.16.0.0/24", "172.31.255.0/24", "192.168.0.0/16", "100.64.0.0/24",
          "100.127.255.0/24", "192.0.2.0/24", "198.51.100.0/25", "203.0.113.0/24", "198.18.0.0/24", "198.19.255.0/24"]  # fmt: skip
OUTSIDE = ["9.255.255.0/24", "11.0.0.0/24", "172.15.255.0/24", "172.32.0.0/24", "192.167.255.0/24", "192.169.0.0/24",
           "100.63.255.0/24", "100.128.0.0/24", "192.0.0.0/24", "8.8.8.0/24", "0.0.0.0/0", "224.0.0.0/24", "127.0.0.0/8",
           "169.254.0.0/16", "192.168.0.0/15"]  # fmt: skip


@pytest.mark.parametrize("network", INSIDE)
def test_private_shared_documentation_and_benchmark_ranges_may(network: str) -> None:
    """Every range of the named RFCs, to its edges."""
    assert is_plannable(IPv4Network(network))


@pytest.mark.parametrize("network", OUTSIDE)
def test_everything_else_may_not(network: str) -> None:
    """Public space, loopback, link local, multicast, and anything that only partly lies inside."""
    assert not is_plannable(IPv4Network(network))


# The RFCs named in the table; the edges of each range are arithmetic.
@pytest.mark.parametrize(
    ("address", "use"),
    [
        ("10.255.255.255", "private"),
        ("172.15.255.255", "public"),
        ("172.16.0.0", "private"),
        ("172.31.255.255", "private"),
        ("172.32.0.0", "public"),
        ("100.63.255.255", "public"),
        ("100.64.0.0", "shared (carrier NAT)"),
        ("100.127.255.255", "shared (carrier NAT)"),
        ("100.128.0.0", "public"),
        ("192.0.0.8", "reserved"),
        ("192.0.2.1", "documentation"),
        ("198.19.255.255", "benchmarking"),
        ("169.254.1.1", "link local"),
        ("239.255.255.255", "multicast"),
        ("240.0.0.1", "reserved"),
        ("255.255.255.255", "limited broadcast"),
        ("0.255.255.255", "this network"),
        ("2001:db8::1", "documentation"),
        ("fd00::1", "unique local"),
        ("fe80::1", "link local"),
        ("ff02::1", "all nodes"),
        ("ff02::fb", "multicast"),
        ("::1", "loopback"),
    ],
)
def test_each_address_has_the_use_that_its_rfc_gives_it(address: str, use: str) -> None:
    """Both sides of each edge are told apart."""
    assert use_of(ip_address(address)) == use
