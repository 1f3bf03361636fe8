"""The passive listener on a laboratory segment: what it says, how often, and what it survives."""

from __future__ import annotations

import asyncio
import contextlib
import struct
import sys
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING, TypeVar

import pytest

from netaudit.errors import LookError
from netaudit.observe.census import Limits
from netaudit.observe.listener import Listener
from netaudit.observe.observation import Health, How, Naming, Notice, Observation, Sample, Sighting
from netaudit.wire.arp import encode_arp_request
from netaudit.wire.dhcp4 import OFFER, encode_dhcp4_reply
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.lldp import encode_lldp
from netaudit.wire.udp import encode_udp
from tests.lab.host import crowd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tests.lab.lan import Lab, Segment

NET = IPv4Network("192.0.2.0/24")
BROADCAST = b"\xff" * 6
Kind = TypeVar("Kind", bound=Observation)


async def hear(
    interface: str, seconds: float, *, repeat_s: float = 300.0, devices: int = 4096
) -> tuple[list[Observation], int, int]:
    """Listen for some seconds; give what was said, how many devices are remembered, and how many frames were lost."""
    said: list[Observation] = []

    def sink(news: Iterable[Observation]) -> None:
        said.extend(news)

    limits = Limits(devices=devices, pairs=2 * devices, names=2 * devices, others=64)
    listener = Listener(
        interface, "hall", sink=sink, vlans={30: "gadgets"}, beat_s=0.1, repeat_s=repeat_s, limits=limits
    )
    task = asyncio.create_task(listener.run())
    await asyncio.sleep(seconds)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    return said, len(listener.census.devices), listener.drops


def of(kind: type[Kind], said: list[Observation]) -> list[Kind]:
    """Give the observations of one kind."""
    return [one for one in said if isinstance(one, kind)]


def mac_of(number: int) -> bytes:
    """Give a locally administered MAC."""
    return b"\x02\x0a" + struct.pack("!I", number)


def test_who_speaks_is_sighted_once(lab: Lab) -> None:
    """Three hosts that each speak twenty times in two seconds give three sightings, by ARP, in the plan's segment."""
    hosts = crowd(NET, 3)
    segment = lab.segment(hosts)

    def speak() -> None:
        for _ in range(20):
            for host in hosts:
                segment.say(host, "arp")

    with lab.later(0.3, speak):
        said, devices, drops = lab.call(hear, segment.interface, 2.5)
    sightings = {(one.mac, one.address, one.segment, one.how) for one in of(Sighting, said)}
    assert sightings == {(host.mac, host.address, "hall", How.ARP) for host in hosts}
    assert len(of(Sighting, said)) == devices == 3
    assert drops == 0


def test_a_device_that_goes_on_speaking_is_sighted_again(lab: Lab) -> None:
    """With a repeat time of half a second, somebody who speaks for two seconds is sighted three to five times."""
    host = crowd(NET, 1)[0]
    segment = lab.segment([host])

    def speak() -> None:
        for _ in range(100):
            segment.say(host, "arp")
            segment.lab.run(["sleep", "0.01"])

    with lab.later(0.2, speak):
        said, _, _ = lab.call(hear, segment.interface, 3.0, repeat_s=0.5)
    assert 3 <= len(of(Sighting, said)) <= 7


def test_names_servers_and_neighbours_are_told(lab: Lab) -> None:
    """An mDNS name, a DHCP answer and a switch's LLDP frame become a naming and two notices."""
    host = crowd(NET, 1)[0].but(name="lamp")
    segment = lab.segment([host])
    lldp = encode_lldp(mac_of(9), "7", 120, system_name="hall-switch")
    frame = encode_ethernet(bytes.fromhex("0180c200000e"), mac_of(9), 0x88CC, lldp)
    offer = dhcp_offer(mac_of(7), IPv4Address("192.0.2.7"))

    def speak() -> None:
        segment.say(host, "mdns")
        segment.send(frame)
        segment.send(offer)

    with lab.later(0.3, speak):
        said, _, _ = lab.call(hear, segment.interface, 1.5)
    assert {(one.mac, one.name, one.origin) for one in of(Naming, said)} == {
        (host.mac, "lamp.local", How.MDNS),
        ("02:0a:00:00:00:09", "hall-switch", How.LLDP),
    }
    notices = {one.kind: dict(one.detail) for one in of(Notice, said)}
    assert notices["dhcp_server"] == {"server": "192.0.2.7", "mac": "02:0a:00:00:00:07"}
    assert notices["lldp_neighbour"]["name"] == "hall-switch"
    assert {one.place for one in of(Notice, said)} == {"segment:hall"}


def dhcp_offer(server_mac: bytes, server: IPv4Address) -> bytes:
    """Give the frame of a DHCP OFFER."""
    data = encode_dhcp4_reply(
        OFFER,
        mac_of(1),
        1,
        IPv4Address("192.0.2.77"),
        server,
        lease_s=600,
        subnet_mask=IPv4Address("255.255.255.0"),
        router=server,
    )
    everybody = IPv4Address("255.255.255.255")
    packet = encode_ipv4(server, everybody, 17, encode_udp(server, everybody, 67, 68, data))
    return encode_ethernet(BROADCAST, server_mac, 0x0800, packet)


def test_two_macs_that_claim_one_address_in_turns_are_a_conflict(lab: Lab) -> None:
    """The notice names the address and both MACs as a sweep does, with a blank between; an address that only moved gives none."""
    segment = lab.segment()
    contested, moved = IPv4Address("192.0.2.50"), IPv4Address("192.0.2.60")

    def speak() -> None:
        for number in (1, 2, 1, 2):
            segment.send(encode_arp_request(mac_of(number), contested, contested))
        for number in (3, 3, 4, 4):
            segment.send(encode_arp_request(mac_of(number), moved, moved))

    with lab.later(0.3, speak):
        said, _, _ = lab.call(hear, segment.interface, 1.5)
    conflicts = [dict(one.detail) for one in of(Notice, said) if one.kind == "address_conflict"]
    assert conflicts == [{"address": "192.0.2.50", "macs": "02:0a:00:00:00:01 02:0a:00:00:00:02"}]


def test_a_tagged_frame_is_heard_in_its_own_segment(lab: Lab) -> None:
    """The kernel takes the tag off; the listener knows it all the same, and keeps silent about VLANs not in the plan."""
    segment = lab.segment()
    known, unknown = IPv4Address("192.0.2.30"), IPv4Address("192.0.2.31")

    def speak() -> None:
        for number, address, vlan in ((1, known, 30), (2, unknown, 31)):
            plain = encode_arp_request(mac_of(number), address, address)
            segment.send(encode_ethernet(BROADCAST, mac_of(number), 0x0806, plain[14:42], vlan=vlan))

    with lab.later(0.3, speak):
        said, _, _ = lab.call(hear, segment.interface, 1.5)
    assert [(one.address, one.segment) for one in of(Sighting, said)] == [("192.0.2.30", "gadgets")]


def test_conversations_of_others_are_left_to_the_kernel(lab: Lab) -> None:
    """Unicast TCP and UDP between two hosts never reach the census; a unicast DHCP renewal does."""
    segment = lab.segment()
    here, there = IPv4Address("192.0.2.10"), IPv4Address("192.0.2.11")
    other = encode_ethernet(mac_of(11), mac_of(10), 0x0800, encode_ipv4(here, there, 6, bytes(40)))
    udp = encode_ipv4(here, there, 17, encode_udp(here, there, 5000, 443, bytes(20)))
    renewal = encode_ipv4(here, there, 17, encode_udp(here, there, 68, 67, bytes(20)))

    def speak() -> None:
        for _ in range(10):
            segment.send(other)
            segment.send(encode_ethernet(mac_of(11), mac_of(12), 0x0800, udp))
        segment.send(encode_ethernet(segment_mac(segment), mac_of(13), 0x0800, renewal))

    with lab.later(0.3, speak):
        said, _, _ = lab.call(hear, segment.interface, 1.5)
    assert [one.mac for one in of(Sighting, said)] == ["02:0a:00:00:00:0d"]


def segment_mac(segment: Segment) -> bytes:
    """Give the monitor's own MAC on a segment."""
    return bytes.fromhex(segment.mac.replace(":", ""))


def test_a_flood_of_made_up_macs_is_one_notice_and_no_rows(lab: Lab) -> None:
    """3,000 invented senders: the table keeps its bound, the flood is told, and no more than the budget is sighted."""
    segment = lab.segment()
    address = IPv4Address("192.0.2.99")

    def flood() -> None:
        for number in range(3000):
            segment.send(encode_arp_request(mac_of(number), address, address))

    with lab.later(0.2, flood):
        said, devices, drops = lab.call(hear, segment.interface, 4.0, devices=500)
    assert devices <= 500
    assert drops == 0
    floods = [dict(one.detail) for one in of(Notice, said) if one.kind == "flood"]
    assert "devices" in {flood["table"] for flood in floods}
    assert len(of(Sighting, said)) <= 1024 + 50


def test_it_survives_its_interface_going_down_and_up(lab: Lab) -> None:
    """Down is bad health with the interface's name, up is good health, and who speaks then is heard."""
    host = crowd(NET, 1)[0]
    segment = lab.segment([host])

    def down_and_up() -> None:
        lab.ip(f"link set {segment.interface} down")
        lab.run(["sleep", "0.5"])
        lab.ip(f"link set {segment.interface} up")
        lab.run(["sleep", "0.3"])
        segment.say(host, "arp")

    with lab.later(0.3, down_and_up):
        said, _, _ = lab.call(hear, segment.interface, 3.0)
    health = [(one.source, one.good, one.reason) for one in of(Health, said)]
    assert ("listen:hall", False, f"interface {segment.interface} is down") in health
    assert health[-1] == ("listen:hall", True, "")
    assert [one.mac for one in of(Sighting, said)] == [host.mac]


def test_rates_of_broadcast_are_samples(lab: Lab) -> None:
    """Sixty broadcasts within a repeat time of a second are told as a rate, and add up to sixty."""
    segment = lab.segment()
    address = IPv4Address("192.0.2.5")

    def speak() -> None:
        for _ in range(60):
            segment.send(encode_arp_request(mac_of(5), address, IPv4Address("192.0.2.6")))

    with lab.later(0.3, speak):
        said, _, _ = lab.call(hear, segment.interface, 3.0, repeat_s=1.0)
    rates = [one for one in of(Sample, said) if one.kind == "broadcast_per_s"]
    assert {one.place for one in rates} == {"segment:hall"}
    # Each rate is over a second and at most two beats of 0.1 s.
    assert 60 / 1.3 <= sum(one.value or 0.0 for one in rates) <= 60


def test_an_interface_that_is_not_there_is_refused(lab: Lab) -> None:
    """The refusal names the interface and what lists those that are there."""
    with pytest.raises(LookError, match=r"interface nowhere0: .*ip link"):
        lab.call(hear, "nowhere0", 0.5)


SPEAKER = """
import socket, sys
s = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
s.bind((sys.argv[1], 0))
s.send(bytes.fromhex(sys.argv[2]))
"""


def test_it_survives_its_interface_being_replaced(lab: Lab) -> None:
    """Gone is bad health; a new interface under the old name is listened to as if it had always been there."""
    address = IPv4Address("192.0.2.41")
    frame = encode_arp_request(mac_of(41), address, address)
    make = (
        "link add port0 type veth peer name port1",
        *(f"link set {name} addrgenmode none" for name in ("port0", "port1")),
        *(f"link set {name} up" for name in ("port0", "port1")),
    )
    lab.ip(*make)

    def replace() -> None:
        lab.ip("link del port0")
        lab.run(["sleep", "0.5"])
        lab.ip(*make)
        lab.run(["sleep", "1.5"])
        lab.run([sys.executable, "-c", SPEAKER, "port1", frame.hex()])

    with lab.later(0.5, replace):
        said, _, _ = lab.call(hear, "port0", 5.0)
    health = [(one.good, one.reason) for one in of(Health, said)]
    assert (False, "interface port0 is gone") in health
    assert health[-1] == (True, "")
    assert [one.address for one in of(Sighting, said)] == ["192.0.2.41"]
