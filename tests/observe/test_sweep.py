"""The ARP sweep: who is there is found, who is not there is not, and the network hardly notices."""

from __future__ import annotations

import asyncio
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.sweep import SweepResult, sweep
from tests.lab.host import Host, crowd

if TYPE_CHECKING:
    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/24")
OWN = ["192.0.2.1/24"]


def _found(result: SweepResult) -> set[tuple[str | None, str]]:
    return {(sighting.address, sighting.mac) for sighting in result.sightings}


def _there(hosts: list[Host]) -> set[tuple[str | None, str]]:
    return {(host.address, host.mac) for host in hosts}


# The chance that a host is missed is loss ** (retries + 1), here for 100 hosts: 0; 0.0125; 0.0013. The seeds fix the dice.
@pytest.mark.parametrize(("loss", "retries"), [(0.0, 0), (0.05, 2), (0.2, 6)])
def test_exactly_the_hosts_that_are_there_are_found(lab: Lab, loss: float, retries: int) -> None:
    """Of 253 addresses 100 are taken; all of those and no others are seen, whatever the loss, with enough retries."""
    everyone = crowd(NET, 253)
    hosts = [host.but(loss=loss, delay_s=0.002) for host in everyone[::5] + everyone[1::5]][:100]
    segment = lab.segment(hosts, own=OWN, seed=3)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=retries, timeout_s=0.3)
    assert _found(result) == _there(hosts)
    assert {sighting.segment for sighting in result.sightings} == {"hall"}
    assert result.silent == 153
    assert result.notices == ()
    assert (result.drops, result.unsent) == (0, 0)


def test_only_the_silent_are_asked_again(lab: Lab) -> None:
    """Hosts that answer are asked once; silent addresses once and then once per retry; nobody else is asked anything."""
    hosts = crowd(IPv4Network("192.0.2.0/27"), 20)
    segment = lab.segment(hosts, own=OWN, log=True)
    net = IPv4Network("192.0.2.0/27")
    result = lab.call(sweep, segment.interface, net, segment="hall", pace_hz=1000.0, retries=2, timeout_s=0.1)
    asked: dict[str, int] = {}
    for question in segment.log():
        assert question.kind == "arp"
        asked[question.address] = asked.get(question.address, 0) + 1
    addresses = {host.address for host in hosts}
    expected = {str(address): 1 if str(address) in addresses else 3 for address in net.hosts()}
    del expected["192.0.2.1"]
    assert asked == expected
    assert result.frames_sent == sum(expected.values()) == 20 + 9 * 3


def test_the_pace_is_kept_on_the_wire(lab: Lab) -> None:
    """By the far kernel's stamps no window of 100 ms has more frames than pace and burst allow."""
    segment = lab.segment([], own=OWN, log=True)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=400.0, retries=0, timeout_s=0.05)
    stamps = [question.at_ns for question in segment.log()]
    assert len(stamps) == result.frames_sent == 253
    # Token bucket: at most rate * window + burst (8 = 400 * 0.02), and one frame for the edge. Frames that the machine
    # held back between the bucket and the wire may bunch up; so the bound is what a late frame can add at most, once.
    for number, stamp in enumerate(stamps):
        within = sum(1 for later in stamps[number:] if later - stamp < 100_000_000)
        assert within <= 400 * 0.1 + 8 + 1
    assert result.elapsed_s >= (253 - 8) / 400 + 0.05


def test_two_macs_for_one_address_are_a_notice(lab: Lab) -> None:
    """Both claims are sightings, and the notice names the address and both MACs."""
    hosts = crowd(NET, 5)
    rival = hosts[2].but(mac="02:00:00:00:00:99", delay_s=0.02)
    segment = lab.segment([*hosts, rival], own=OWN)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=2000.0, retries=0, timeout_s=0.2)
    assert _found(result) == _there([*hosts, rival])
    (notice,) = result.notices
    assert (notice.kind, notice.place) == ("address_conflict", "segment:hall")
    assert dict(notice.detail) == {"address": "192.0.2.4", "macs": "02:00:00:00:00:99 02:00:c0:00:02:04"}


def test_when_nobody_is_silent_it_ends_and_a_rival_is_still_heard(lab: Lab) -> None:
    """All answer after 0.4 s, so a rival after 0.7 s is waited for, and the time-out of a minute is not."""
    net = IPv4Network("192.0.2.0/29")
    hosts = [host.but(delay_s=0.4) for host in crowd(net, 5)]
    rival = hosts[2].but(mac="02:00:00:00:00:99", delay_s=0.7)
    segment = lab.segment([*hosts, rival], own=["192.0.2.1/29"])
    result = lab.call(sweep, segment.interface, net, segment="hall", retries=0, timeout_s=60.0)
    assert _found(result) == _there([*hosts, rival])
    assert [notice.kind for notice in result.notices] == ["address_conflict"]
    assert result.silent == 0
    assert result.elapsed_s < 30


def test_a_rival_for_our_own_address_is_a_notice(lab: Lab) -> None:
    """Someone else announces our address while we look: a conflict with us."""
    rival = Host(mac="02:00:00:00:00:98", address="192.0.2.1")
    segment = lab.segment([rival], own=OWN)
    with lab.later(0.1, lambda: segment.say(rival, "arp")):
        result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=0, timeout_s=0.8)
    (notice,) = result.notices
    assert dict(notice.detail) == {"address": "192.0.2.1", "macs": f"02:00:00:00:00:98 {segment.mac}"}


def test_a_host_that_answers_nobody_is_seen_when_it_speaks(lab: Lab) -> None:
    """Who is silent to questions but asks something itself meanwhile is a sighting too."""
    shy = Host(mac="02:00:00:00:00:97", address="192.0.2.77", silent=("arp",))
    segment = lab.segment([shy], own=OWN)
    with lab.later(0.3, lambda: segment.say(shy, "arp")):
        result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=0, timeout_s=1.0)
    assert _found(result) == {("192.0.2.77", shy.mac)}
    assert result.samples == ()


def test_answers_that_come_twice_are_one_sighting(lab: Lab) -> None:
    """A duplicated answer is neither a second device nor a conflict."""
    hosts = [host.but(duplicate=1.0) for host in crowd(NET, 10)]
    segment = lab.segment(hosts, own=OWN)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=2000.0, retries=0, timeout_s=0.1)
    assert len(result.sightings) == 10
    assert result.notices == ()


def test_it_works_without_an_address_of_our_own(lab: Lab) -> None:
    """On an interface without an address the questions are probes from 0.0.0.0 (RFC 5227), and are answered."""
    hosts = crowd(NET, 254, skip=0)
    segment = lab.segment(hosts)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=2000.0, retries=0, timeout_s=0.1)
    assert _found(result) == _there(hosts)
    assert result.silent == 0


def test_hostile_frames_do_no_harm(lab: Lab) -> None:
    """Noise, cut frames, group senders and addresses of other networks are not sightings, and the good ones still are."""
    hosts = crowd(NET, 3)
    segment = lab.segment(hosts, own=OWN)
    head = b"\xff" * 6 + bytes.fromhex("020000000055") + b"\x08\x06"
    arp = b"\x00\x01\x08\x00\x06\x04\x00\x02"

    def attack() -> None:
        for cut in range(15, 60):
            segment.send((head + arp + bytes.fromhex("020000000055c0000240") + bytes(30))[: cut if cut < 42 else 41])
        segment.send(head + arp + bytes.fromhex("01005e000001c0000241") + bytes(28))  # a group as sender
        segment.send(head + arp + bytes.fromhex("020000000055c6336401") + bytes(28))  # 198.51.100.1
        segment.send(head + bytes.fromhex("00060800060400 02".replace(" ", "")) + bytes(40))  # not Ethernet

    with lab.later(0.1, attack):
        result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=0, timeout_s=0.6)
    assert _found(result) == _there(hosts)


def test_another_vlan_on_the_same_wire_is_another_segment(lab: Lab) -> None:
    """A claim in a frame with VLAN 20's tag is not of this segment; one with a priority tag (VLAN 0) is."""
    segment = lab.segment([], own=OWN)
    ends = b"\xff" * 6 + bytes.fromhex("020000000055")
    arp = bytes.fromhex("08060001080006040001020000000055c0000255000000000000c0000255") + bytes(18)

    def speak() -> None:
        segment.send(ends + bytes.fromhex("81000014") + arp)
        segment.send(ends + bytes.fromhex("81006000") + arp.replace(b"\xc0\0\2\x55", b"\xc0\0\2\x56"))

    with lab.later(0.1, speak):
        result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=0, timeout_s=0.6)
    assert _found(result) == {("192.0.2.86", "02:00:00:00:00:55")}


def test_a_link_that_goes_down_is_said(lab: Lab) -> None:
    """When the interface is switched off the sweep ends with the reason instead of reporting everyone absent."""
    segment = lab.segment(crowd(NET, 3), own=OWN)
    lab.ip(f"link set {segment.interface} down")
    with pytest.raises(LookError, match=f"{segment.interface}: Network is down"):
        lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0)


def test_round_trips_are_those_of_the_host(lab: Lab) -> None:
    """Every answered first probe gives a round trip that is not under the host's set delay."""
    hosts = [host.but(delay_s=0.005) for host in crowd(NET, 50)]
    segment = lab.segment(hosts, own=OWN)
    result = lab.call(sweep, segment.interface, NET, segment="hall", pace_hz=1000.0, retries=0, timeout_s=0.5)
    assert {(sample.place, sample.kind) for sample in result.samples} == {
        (f"device:{host.mac}", "arp_rtt_s") for host in hosts
    }
    assert all(0.005 <= (sample.value or 0) < 0.5 for sample in result.samples)


def test_no_round_trip_is_made_of_an_answer_to_nobody_knows_which_probe(lab: Lab) -> None:
    """Who answers after having been asked again is there, but has no round trip: it would come out too short."""
    host = crowd(NET, 1)[0].but(delay_s=0.5)
    segment = lab.segment([host], own=OWN)
    result = lab.call(
        sweep, segment.interface, IPv4Network("192.0.2.0/30"), segment="hall", pace_hz=100.0, retries=1, timeout_s=0.35
    )
    assert _found(result) == _there([host])
    assert segment.counts().asked_of == {host.mac: {"arp": 2}}
    assert result.samples == ()


# RFC 1918, 5737, 6598, 3927, 2544: just outside of each range, and well-known public space
@pytest.mark.parametrize(
    "public",
    ["9.255.255.0/24", "11.0.0.0/24", "172.32.0.0/24", "192.167.0.0/24", "192.0.0.0/24", "8.8.8.0/24", "0.0.0.0/0"],
)
async def test_public_networks_are_refused(public: str) -> None:
    """Not one frame goes to a network that isn't private."""
    with pytest.raises(LookError, match="not a private network"):
        await sweep("lo", IPv4Network(public), segment="hall")


async def test_nonsense_is_refused() -> None:
    """Too large a network, a foreign source, no pace, too many retries: each is refused before anything is opened."""
    with pytest.raises(OutOfRange, match="/16 or smaller"):
        await sweep("lo", IPv4Network("10.0.0.0/8"), segment="hall")
    with pytest.raises(LookError, match=r"outside of 192\.0\.2\.0/24"):
        await sweep("lo", NET, segment="hall", source=IPv4Address("10.0.0.1"))
    for pace_hz in (0.0, -1.0, 1e9):
        with pytest.raises(OutOfRange, match="pace"):
            await sweep("lo", NET, segment="hall", pace_hz=pace_hz)
    with pytest.raises(OutOfRange, match="retries"):
        await sweep("lo", NET, segment="hall", retries=99)


def _open() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def _cancel(interface: str) -> int:
    """Cancel a sweep midway and say how many descriptors it left open."""
    before = _open()
    task = asyncio.create_task(sweep(interface, NET, segment="hall"))
    await asyncio.sleep(0.1)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return _open() - before


def test_a_cancelled_sweep_leaves_nothing_open(lab: Lab) -> None:
    """Stopping the daemon in the middle of a sweep leaves no socket behind."""
    assert lab.call(_cancel, lab.segment([], own=OWN).interface) == 0
