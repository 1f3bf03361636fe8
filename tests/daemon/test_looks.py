"""The looks at one segment: over IPv4, and over IPv6 where the plan names its network."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from ipaddress import IPv4Network, IPv6Address, IPv6Network
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon.looks import Looks
from netaudit.errors import PlanError
from netaudit.observe.observation import Health, Observation, Sighting
from netaudit.observe.sweep6 import likely_addresses
from netaudit.site.load import parse_site
from tests.lab.host import Host, crowd

if TYPE_CHECKING:
    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/26")
NET6 = IPv6Network("2001:db8::/64")
OWN = ["192.0.2.1/26", "2001:db8::1/64", "fe80::1/64"]
PLAN = """\
[site]
name = "Laboratory"
[looking]
pace = 500
retries = 1
[segment.home]
network = "192.0.2.0/26"
interface = "seg0"
"""


async def sweep_once(plan: str) -> list[Observation]:
    """Take one sweep of the plan's segment and give all that it told."""
    site = parse_site(plan)
    told: list[Observation] = []
    look = Looks("home", site.segment["home"], "seg0", site.looking, sink=told.extend, now=lambda: datetime.now(UTC))
    await look.sweep()
    return told


def seen_over_ipv6(told: list[Observation]) -> set[tuple[str, str | None]]:
    """Give the MACs and addresses of the sightings that aren't IPv4's."""
    return {(one.mac, one.address) for one in told if isinstance(one, Sighting) and ":" in (one.address or "")}


def test_where_the_plan_names_an_ipv6_network_each_sweep_asks_over_ipv6_too(lab: Lab) -> None:
    """Who has no IPv4 address is seen; so is who answers no ping, at the address that it makes of its MAC."""
    only6 = Host(mac="02:00:00:00:06:01", address6="2001:db8::61")
    made = str(likely_addresses([bytes.fromhex("020000000602")], [NET6])[1])
    # RFC 4291, appendix A: the universal bit of 02 is inverted, ff:fe goes in the middle.
    assert IPv6Address(made) == IPv6Address("2001:db8::ff:fe00:602")
    shy = Host(mac="02:00:00:00:06:02", address="192.0.2.60", address6=made, silent=("echo6",))
    segment = lab.segment([*crowd(NET, 5), only6, shy], own=OWN)
    told = lab.call(sweep_once, PLAN + f'network6 = "{NET6}"\n')
    assert segment.interface == "seg0"
    assert seen_over_ipv6(told) == {(only6.mac, only6.address6), (shy.mac, shy.address6)}
    assert {one.source: one.good for one in told if isinstance(one, Health)} == {
        "sweep:home": True,
        "sweep6:home": True,
    }


def test_without_an_ipv6_network_in_the_plan_nobody_is_asked_over_ipv6(lab: Lab) -> None:
    """The program looks only at networks that the plan names."""
    segment = lab.segment(crowd(NET, 3, network6=NET6), own=OWN, log=True)
    told = lab.call(sweep_once, PLAN)
    assert seen_over_ipv6(told) == set()
    assert [one.source for one in told if isinstance(one, Health)] == ["sweep:home"]
    assert {question.kind for question in segment.log()} == {"arp"}


def test_an_interface_without_ipv6_is_a_source_in_trouble_and_the_sweep_goes_on(lab: Lab) -> None:
    """What IPv6 can't do now is told with its reason; IPv4's hosts are seen all the same."""
    lab.segment(crowd(NET, 4), own=["192.0.2.1/26"])
    told = lab.call(sweep_once, PLAN + f'network6 = "{NET6}"\n')
    health = {one.source: one for one in told if isinstance(one, Health)}
    assert health["sweep:home"].good
    assert not health["sweep6:home"].good
    assert "no link-local IPv6 address" in health["sweep6:home"].reason
    assert len({one.mac for one in told if isinstance(one, Sighting)}) == 4


async def look_all_ways(plan: str) -> None:
    """Sweep, over IPv6 too, while the devices that a first sweep has learnt are asked by echo again and again."""
    site = parse_site(plan)
    look = Looks("home", site.segment["home"], "seg0", site.looking, sink=lambda _: None, now=lambda: datetime.now(UTC))
    await look.sweep()
    sweeping = asyncio.create_task(look.sweep())
    while not sweeping.done():
        await look.echo_devices()
    await sweeping


def test_all_looks_at_a_segment_keep_one_pace(lab: Lab) -> None:
    """By the far kernel's stamps sweeps and echoes together stay within the pace of the plan, and both kinds of frames were there."""
    segment = lab.segment(crowd(NET, 20), own=OWN, log=True)
    hurried = PLAN.replace("pace = 500", 'pace = 60\necho_every = "1 s"').replace("retries = 1", "retries = 0")
    lab.call(look_all_ways, hurried + f'network6 = "{NET6}"\n')
    asked = segment.log()
    assert {"arp", "echo"} <= {question.kind for question in asked}
    stamps = [question.at_ns for question in asked]
    for number, stamp in enumerate(stamps):
        # A second's tokens, those that waited (60 * 0.02), and a frame for each edge.
        assert sum(1 for later in stamps[number:] if later - stamp < 1_000_000_000) <= 60 + 1.2 + 2


@pytest.mark.parametrize("network", ["2600::/64", "2000::/3"])
def test_a_public_ipv6_network_is_refused(network: str) -> None:
    """A plan names networks of its own (RFC 4193, RFC 3849), not others' on the internet."""
    with pytest.raises(PlanError, match="not a range of one's own"):
        parse_site(PLAN + f'network6 = "{network}"\n')
