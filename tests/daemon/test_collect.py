"""Looking for a while on a laboratory network. What an acceptance test makes of it is in tests/cli/test_accept_lab.py."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit import vocabulary
from netaudit.daemon.collect import _for, collect
from netaudit.errors import LookError, OutOfRange
from netaudit.site.load import parse_site
from tests.lab.host import Host, Pool

if TYPE_CHECKING:
    from tests.lab.lan import Lab, Segment

# Echoes each second: an honest test takes half an hour, and a laboratory has not that long.
PLAN = """
[site]
name = "Laboratory"
[looking]
sweep_every = "2 s"
echo_every = "1 s"
gateway_every = "1 s"
pace = 1000
retries = 1
[closet.loft]
[segment.home]
network = "192.0.2.0/24"
gateway = "192.0.2.2"
pool = ["192.0.2.30", "192.0.2.60"]
interface = "seg0"
[segment.things]
network = "198.51.100.0/24"
gateway = "198.51.100.2"
pool = ["198.51.100.200", "198.51.100.250"]
interface = "seg1"
[services]
resolver = "192.0.2.2"
every = "10 s"
[isolation]
hosts = ["device:desk", "device:gate"]
[switch.loft]
ports = [{ count = 12, power = "type 2" }, { count = 200 }]
supply = "60 W"
[access_point.hall]
segment = "home"
mac = "02:00:00:00:01:10"
address = "192.0.2.10"
[[access_point.hall.radio]]
band = "2.4"
association_limit = 20
[device.desk]
kind = "desktop"
segment = "home"
mac = ["02:00:00:00:01:20"]
address = "192.0.2.20"
hostname = "desk.lab.home.arpa"
[device.printer]
kind = "printer"
segment = "home"
mac = ["02:00:00:00:01:21"]
[device.gate]
kind = "camera"
segment = "things"
mac = ["02:00:00:00:02:10"]
address = "198.51.100.10"
[device.kiln]
kind = "controller"
segment = "things"
mac = ["02:00:00:00:02:11"]
[device.meters]
kind = "controller"
count = 100
segment = "things"
address = "198.51.100.50"
[device.lamps]
kind = "controller"
count = 60
segment = "home"
address = "192.0.2.100"
[recorder.vault]
segment = "things"
mac = "02:00:00:00:02:12"
address = "198.51.100.12"
"""
SITE = parse_site(PLAN)

HOME_ROUTER = Host(
    "02:00:00:00:01:02",
    "192.0.2.2",
    delay_s=0.001,
    zone=(("desk.lab.home.arpa", "192.0.2.20"),),
    pool=Pool("192.0.2.41", 10, "255.255.255.0", router="192.0.2.2"),
)
THINGS_ROUTER = Host(
    "02:00:00:00:02:02",
    "198.51.100.2",
    delay_s=0.001,
    pool=Pool("198.51.100.201", 10, "255.255.255.0", router="198.51.100.2"),
)
POINT = Host("02:00:00:00:01:10", "192.0.2.10", delay_s=0.001)
DESK = Host("02:00:00:00:01:20", "192.0.2.20", delay_s=0.001)
PRINTER = Host("02:00:00:00:01:21", "192.0.2.45", delay_s=0.002)
GATE = Host("02:00:00:00:02:10", "198.51.100.10", delay_s=0.001)
KILN = Host("02:00:00:00:02:11", "198.51.100.211", delay_s=0.001)
VAULT = Host("02:00:00:00:02:12", "198.51.100.12", delay_s=0.001)
METERS = [Host(f"02:00:00:00:03:{n:02x}", f"198.51.100.{50 + n}", delay_s=0.001) for n in range(100)]
LAMPS = [Host(f"02:00:00:00:04:{n:02x}", f"192.0.2.{100 + n}", delay_s=0.001) for n in range(60)]
HOME, THINGS = (HOME_ROUTER, POINT, DESK, PRINTER, *LAMPS), (THINGS_ROUTER, GATE, KILN, VAULT, *METERS)


def _build(lab: Lab) -> tuple[Segment, Segment]:
    return (
        lab.segment(HOME, own=["192.0.2.1/24"]),
        lab.segment(THINGS, own=["198.51.100.1/24"]),
    )


def test_what_was_seen_in_a_while_is_evidence(lab: Lab) -> None:
    """Everybody there is in it with an address, every segment was swept well, and each of the two servers leases on its own."""
    _build(lab)
    evidence = lab.call(collect, SITE, 4.0, environ={})
    seen = {(one.mac, one.segment, one.address) for one in evidence.sightings}
    assert seen >= {(host.mac, "home", host.address) for host in HOME}
    assert seen >= {(host.mac, "things", host.address) for host in THINGS}
    assert {one.source for one in evidence.health if one.good} >= {"sweep:home", "sweep:things", "names", "dhcp:home"}
    servers = {(one.place, dict(one.detail)["mac"]) for one in evidence.notices if one.kind == vocabulary.DHCP_SERVER}
    assert servers == {("segment:home", HOME_ROUTER.mac), ("segment:things", THINGS_ROUTER.mac)}
    assert evidence.until - evidence.since >= timedelta(seconds=4)


async def _stubborn(cancelled: list[int]) -> None:
    """Lose the first cancellation, as `asyncio.wait_for` does before Python 3.12 when the answer comes at that moment."""
    while len(cancelled) < 2:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            cancelled.append(len(cancelled))


async def test_a_look_ends_though_a_job_lost_its_cancellation() -> None:
    """It is told again, until it ends: the look takes no longer than a moment more."""
    cancelled: list[int] = []
    async with asyncio.timeout(10):
        await _for(0.1, [_stubborn(cancelled)], asyncio.Event())
    assert cancelled == [0, 1]


def test_a_long_night_holds_only_the_latest_word(lab: Lab) -> None:
    """Every second a sweep: still one sighting for each device, segment and address, and no samples."""
    _build(lab)
    evidence = lab.call(collect, SITE, 4.0, environ={}, latest_every_s=1.0)
    keys = [(one.mac, one.segment, one.address) for one in evidence.sightings]
    assert len(keys) == len(set(keys))
    assert {mac for mac, _, _ in keys} >= {host.mac for host in (*HOME, *THINGS)}
    assert not evidence.samples


def test_a_look_at_an_interface_that_is_not_there_is_refused(lab: Lab) -> None:
    """A mistyped interface ends the call at once and is named: half an hour would prove nothing."""
    _build(lab)
    with pytest.raises(LookError, match="segment things: this box has no interface seg9"):
        lab.call(collect, parse_site(PLAN.replace('"seg1"', '"seg9"')), 600.0, environ={})


def test_looking_needs_a_segment_with_an_interface_and_a_sensible_time(lab: Lab) -> None:
    """Without an interface there is nothing to look at; no time at all, or a month, is refused."""
    with pytest.raises(LookError, match="interface"):
        lab.call(
            collect,
            parse_site(PLAN.replace('interface = "seg0"', "").replace('interface = "seg1"', "")),
            2.0,
            environ={},
        )
    for seconds in (0.0, 1e9):
        with pytest.raises(OutOfRange):
            lab.call(collect, SITE, seconds, environ={})
