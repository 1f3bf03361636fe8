"""The gateway that the kernel would use is the one that is found."""

from __future__ import annotations

from ipaddress import IPv4Address
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.observe.route import gateway_of

if TYPE_CHECKING:
    from tests.lab.lan import Lab

HEAD = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\tMTU\tWindow\tIRTT\n"


def _table() -> str:
    return Path("/proc/net/route").read_text(encoding="ascii")


def test_the_kernels_own_route_is_read(lab: Lab) -> None:
    """A default route that `ip` makes is found on its interface and on no other; of two the one with the lower metric."""
    segment = lab.segment(own=["192.0.2.1/24"])
    assert gateway_of(segment.interface, lab.call(_table)) is None
    lab.ip(
        "route add default via 192.0.2.200 metric 300",
        "route add default via 192.0.2.254 metric 100",
        "route add 198.51.100.0/24 via 192.0.2.9",
    )
    table = lab.call(_table)
    assert gateway_of(segment.interface, table) == IPv4Address("192.0.2.254")
    assert gateway_of("lo", table) is None


@pytest.mark.parametrize(
    "row",
    [
        "eth0\t00000000\tFE0200C0\t0001\t0\t0\t0\t00000000",  # no gateway
        "eth0\t00000000\tFE0200C0\t0002\t0\t0\t0\t00000000",  # not up
        "eth0\t00000000\tFE0200C0\t0003\t0\t0\t0\t000000FF",  # not the default
        "eth0\t00000000\tFE0200C0\t0003",
        "eth0\tx\tFE0200C0\t0003\t0\t0\t0\t00000000",
    ],
)
def test_what_is_no_default_route_is_none(row: str) -> None:
    """Routes without a gateway, down, of a network, cut short or unreadable lead nowhere; a good one after them does."""
    assert gateway_of("eth0", HEAD + row) is None
    good = "eth0\t00000000\tFE0200C0\t0003\t0\t0\t0\t00000000"
    assert gateway_of("eth0", f"{HEAD}{row}\n{good}\n") == IPv4Address("192.0.2.254")


@given(st.text(max_size=200))
def test_noise_is_no_route(text: str) -> None:
    """Whatever the table holds, nothing is raised."""
    gateway_of("eth0", text)
