"""What heard messages mean: devices, addresses, names, servers, neighbours, radios, and what is wrong."""

from __future__ import annotations

import struct
import tracemalloc
from ipaddress import IPv4Address, IPv6Address
from typing import Any

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import GRE, IP, UDP
from scapy.layers.inet6 import (
    ICMPv6ND_NA,
    ICMPv6ND_RA,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
)
from scapy.layers.l2 import ARP, Ether
from scapy.layers.vxlan import VXLAN
from scapy.packet import Packet, Raw

from netaudit.observe.census import Census, Limits
from netaudit.observe.census_document import describe, has_findings
from netaudit.observe.census_sort import FrameSorter
from netaudit.wire.arp import Arp, encode_arp_reply, encode_arp_request
from netaudit.wire.capture import Interface
from netaudit.wire.dhcp4 import ACK, OFFER, encode_dhcp4_discover, encode_dhcp4_reply, encode_dhcp4_request
from netaudit.wire.dns import PTR, A, DnsRecord, encode_dns_response
from netaudit.wire.dot11 import encode_beacon
from netaudit.wire.elements import BssLoad
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.lldp import encode_lldp
from netaudit.wire.udp import encode_udp

LAMP, LOCK, RELAY = b"\x02\0\0\0\0\x01", b"\x02\0\0\0\0\x02", b"\x00\x00\x5e\x00\x53\x03"
NET = IPv4Address("192.0.2.0")
EVERYBODY = IPv4Address("255.255.255.255")
NOBODY = IPv4Address(0)
GROUP = IPv4Address("224.0.0.251")
BROADCAST = b"\xff" * 6
SECOND = 1_000_000_000
ETHERNET = Interface(1)


def hear(*frames: bytes | Packet, on: Interface = ETHERNET, census: Census | None = None) -> dict[str, Any]:
    """Take a census of frames that are a second apart."""
    census = census or Census()
    sorter = FrameSorter(census)
    data = [bytes(frame) for frame in frames]
    sorter.take([(number * SECOND, len(frame), frame, on) for number, frame in enumerate(data)])
    sorter.settle()
    return describe(census)


def said(mac: bytes, source: IPv4Address, target: IPv4Address, ports: tuple[int, int], data: bytes) -> bytes:
    """Give a datagram to everybody or to a group."""
    packet = encode_ipv4(source, target, 17, encode_udp(source, target, *ports, data))
    return encode_ethernet(BROADCAST if target == EVERYBODY else b"\x01\0\x5e\0\0\xfb", mac, 0x0800, packet)


def device(document: dict[str, Any], mac: bytes) -> dict[str, Any]:
    """Find one device."""
    found: dict[str, Any] = next(one for one in document["devices"] if one["mac"] == mac.hex(":"))
    return found


def addresses(document: dict[str, Any], mac: bytes) -> list[tuple[str, str]]:
    """Give the addresses of one device, and how they are known."""
    return [(one["address"], one["how"]) for one in device(document, mac)["addresses"]]


def offer(kind: int, mac: bytes, server: int, client: bytes = LAMP) -> bytes:
    """Give a server's answer to a client."""
    own = NET + server
    data = encode_dhcp4_reply(
        kind, client, 1, NET + 77, own, lease_s=60, subnet_mask=IPv4Address("255.255.255.0"), router=own
    )
    return said(mac, own, EVERYBODY, (67, 68), data)


def test_a_probe_is_no_address_and_an_announcement_is_one() -> None:
    """RFC 5227: who probes doesn't have the address yet; the pair with 0.0.0.0 is kept as heard."""
    document = hear(encode_arp_request(LAMP, NOBODY, NET + 5))
    assert addresses(document, LAMP) == []
    assert [pair["address"] for pair in document["arp_pairs"]] == ["0.0.0.0"]  # noqa: S104 - an expected value
    document = hear(encode_arp_request(LAMP, NET + 5, NET + 5))
    assert addresses(document, LAMP) == [("192.0.2.5", "arp")]


def test_reverse_arp_is_counted_apart_and_claims_nothing() -> None:
    """EtherType 0x8035 has the same layout and another meaning."""
    document = hear(encode_ethernet(BROADCAST, LAMP, 0x8035, encode_arp_request(LAMP, NET + 5, NET + 5)[14:42]))
    assert (document["protocols"], document["arp_pairs"]) == ({"rarp": 1}, [])


def test_a_claim_for_another_mac_is_a_pair_and_nobodys_address() -> None:
    """Frame and ARP name different senders: the claim is listed, but the frame's sender doesn't get the address."""
    frame = encode_ethernet(BROADCAST, LAMP, 0x0806, encode_arp_request(LOCK, NET + 5, NET + 6)[14:42])
    document = hear(frame)
    assert [(pair["address"], pair["mac"]) for pair in document["arp_pairs"]] == [("192.0.2.5", LOCK.hex(":"))]
    assert addresses(document, LAMP) == []
    assert len(document["devices"]) == 1


@pytest.mark.parametrize(
    "tunnel", [UDP(sport=1, dport=4789) / VXLAN(vni=9) / Ether(src="02:00:00:00:00:99"), GRE(proto=0x6558) / Ether()]
)
def test_what_is_inside_a_tunnel_makes_no_hosts(tunnel: Packet) -> None:
    """The ARP in a tunnel belongs to another network."""
    outer = Ether(src=LAMP.hex(":"), dst=LOCK.hex(":")) / IP(src="192.0.2.1", dst="192.0.2.2")
    document = hear(outer / tunnel / ARP(hwsrc="02:00:00:00:00:99", psrc="10.9.9.9"))
    assert [one["mac"] for one in document["devices"]] == [LAMP.hex(":")]
    assert document["arp_pairs"] == []


def test_two_macs_in_turns_are_a_duplicate_and_one_after_the_other_is_a_move() -> None:
    """A claims, B claims, A claims again: duplicate. A claims twice, then B twice: moved. Only the first is a finding."""
    a, b = (encode_arp_request(mac, NET + 5, NET + 5) for mac in (LAMP, LOCK))
    macs = [LAMP.hex(":"), LOCK.hex(":")]
    document = hear(a, b, a)
    assert document["faults"]["duplicates"] == [{"address": "192.0.2.5", "macs": macs}]
    assert has_findings(document)
    document = hear(a, a, b, b)
    assert document["faults"]["moved"] == [{"address": "192.0.2.5", "macs": macs}]
    assert not has_findings(document)


def test_one_mac_with_many_addresses_is_no_duplicate() -> None:
    """A router, or a host with several addresses."""
    document = hear(*(encode_arp_request(LAMP, NET + number, NET + 9) for number in range(1, 6)))
    assert len(addresses(document, LAMP)) == 5
    assert not has_findings(document)


def test_which_dhcp_messages_give_an_address() -> None:
    """A REQUEST asks for what it will have (option 50, RFC 2131, 4.3.2), an ACK grants it, an OFFER and a wish don't."""
    request = said(LAMP, NOBODY, EVERYBODY, (68, 67), encode_dhcp4_request(LAMP, 1, NET + 77, hostname="lamp"))
    discover = said(LAMP, NOBODY, EVERYBODY, (68, 67), encode_dhcp4_discover(LAMP, 1))
    assert addresses(hear(request), LAMP) == [("192.0.2.77", "dhcp")]
    assert addresses(hear(discover, offer(OFFER, LOCK, 1)), LAMP) == []
    assert addresses(hear(discover, offer(ACK, LOCK, 1)), LAMP) == [("192.0.2.77", "dhcp")]
    assert device(hear(request), LAMP)["names"] == [{"name": "lamp", "origin": "dhcp"}]


# RFC 4361, 6.1: type 255, IAID, then a DUID; here RFC 8415's DUID-UUID (type 4), with an invented UUID.
DUID = b"\xff" + bytes(4) + b"\0\x04" + bytes(range(16))


@pytest.mark.parametrize(
    ("identifier", "said_as"),
    [
        (DUID, [DUID.hex()]),
        (b"\x01" + LOCK, [(b"\x01" + LOCK).hex()]),
        (b"\x01" + LAMP, []),
        (b"\x01", []),
        (b"\0" + b"a" * 63, ["00" + "61" * 63]),
        (b"\0" + b"a" * 64, []),
    ],
)
def test_a_client_identifier_counts_unless_it_is_the_mac_once_more(identifier: bytes, said_as: list[str]) -> None:
    """RFC 2132, 9.14: two octets or more; type 1 with its own MAC says nothing new; it is no name."""
    options = [("message-type", "request"), ("client_id", identifier), "end"]
    data = bytes(BOOTP(op=1, chaddr=LAMP) / DHCP(options=options))
    document = hear(said(LAMP, NOBODY, EVERYBODY, (68, 67), data))
    assert device(document, LAMP)["client_ids"] == said_as
    assert device(document, LAMP)["names"] == []


def test_offered_services_are_those_with_time_to_live() -> None:
    """RFC 6762, 10.1 and RFC 6763, 9: each type once, also one that says nothing of the kind; what is taken back isn't one."""
    records = [
        DnsRecord("_ipp._tcp.local", PTR, 120, target="office._ipp._tcp.local"),
        DnsRecord("_services._dns-sd._udp.local", PTR, 120, target="_ipp._tcp.local"),
        DnsRecord("_http._tcp.local", PTR, 120, target="office._http._tcp.local"),
        DnsRecord("_ssh._tcp.local", PTR, 0, target="office._ssh._tcp.local"),
    ]
    document = hear(said(LAMP, NET + 5, GROUP, (5353, 5353), encode_dns_response(records)))
    assert device(document, LAMP)["offers"] == ["_http._tcp", "_ipp._tcp"]


def test_one_server_is_right_and_two_on_one_segment_are_a_finding() -> None:
    """Each server with its MAC; a second that answers on the same segment is told, on another segment it isn't."""
    document = hear(offer(OFFER, LOCK, 1), offer(ACK, LOCK, 1))
    assert [(one["address"], one["mac"], one["count"]) for one in document["dhcp"]["servers"]] == [
        ("192.0.2.1", LOCK.hex(":"), 2)
    ]
    assert not has_findings(document)
    second = offer(OFFER, RELAY, 2)
    document = hear(offer(OFFER, LOCK, 1), second)
    assert document["faults"]["dhcp_servers"] == [{"segment": "untagged", "addresses": ["192.0.2.1", "192.0.2.2"]}]
    tagged = second[:12] + bytes.fromhex("81000014") + second[12:]
    assert not has_findings(hear(offer(OFFER, LOCK, 1), tagged))


def test_relayed_and_queried_clients_are_no_devices() -> None:
    """RFC 4388 and relays name clients that are elsewhere: only who sent the frame is a device, and the relay no server."""
    head = Ether(src=RELAY.hex(":"), dst=LOCK.hex(":")) / IP(src="192.0.2.3", dst="192.0.2.1") / UDP(sport=67, dport=67)
    query = head / BOOTP(op=1, chaddr=LAMP, giaddr="192.0.2.3") / DHCP(options=[("message-type", 10), "end"])
    relayed = head / BOOTP(op=2, chaddr=LAMP, giaddr="192.0.2.3", yiaddr="192.0.2.50")
    relayed /= DHCP(options=[("message-type", "offer"), ("server_id", "198.51.100.7"), "end"])
    document = hear(query, relayed)
    assert [one["mac"] for one in document["devices"]] == [RELAY.hex(":")]
    assert document["dhcp"]["by_type"] == {"LEASEQUERY": 1, "OFFER": 1}
    assert [(one["address"], one["mac"]) for one in document["dhcp"]["servers"]] == [("198.51.100.7", None)]


def test_a_name_belongs_to_whose_address_it_has() -> None:
    """A responder may answer for a sleeping host: that name isn't its own."""
    own = DnsRecord("lamp.local", A, 120, address=NET + 5)
    others = DnsRecord("lock.local", A, 120, address=NET + 6)
    document = hear(said(LAMP, NET + 5, GROUP, (5353, 5353), encode_dns_response([own, others])))
    assert device(document, LAMP)["names"] == [{"name": "lamp.local", "origin": "mdns"}]
    assert document["mdns"]["names"] == ["lamp.local", "lock.local"]
    assert document["names"][0]["origin"] == "mdns"


def test_a_name_taken_back_is_none() -> None:
    """RFC 6762, 10.1: a record with a time to live of 0 says goodbye."""
    gone = DnsRecord("lamp.local", A, 0, address=NET + 5)
    document = hear(said(LAMP, NET + 5, GROUP, (5353, 5353), encode_dns_response([gone])))
    assert device(document, LAMP)["names"] == []


def test_a_kind_comes_with_its_evidence() -> None:
    """A printer by the service that it offers; the strongest kind wins; without evidence there is no guess."""
    service = DnsRecord("_ipp._tcp.local", PTR, 120, target="office._ipp._tcp.local")
    document = hear(
        said(LAMP, NET + 5, GROUP, (5353, 5353), encode_dns_response([service])),
        encode_arp_request(LOCK, NET + 6, NET + 6),
    )
    assert device(document, LAMP)["kind"] == {"word": "printer", "evidence": ["offers _ipp._tcp"]}
    assert device(document, LOCK)["kind"] is None


def test_a_neighbour_with_a_time_to_live_of_0_is_withdrawn() -> None:
    """IEEE 802.1AB: the shutdown LLDPDU; the last word counts, and a later one brings the neighbour back."""
    there, gone = (
        encode_ethernet(bytes.fromhex("0180c200000e"), LOCK, 0x88CC, encode_lldp(LOCK, "7", ttl, system_name="hall"))
        for ttl in (120, 0)
    )
    states = [
        [(link["ttl_s"], link["withdrawn"]) for link in hear(*frames)["neighbours"]]
        for frames in ((there,), (there, gone), (there, gone, there))
    ]
    assert states == [[(120, False)], [(0, True)], [(120, False)]]
    assert device(hear(there), LOCK)["names"] == [{"name": "hall", "origin": "lldp"}]


def test_a_made_up_mac_is_marked_and_has_no_maker() -> None:
    """IEEE 802: the local bit; a group address as sender is marked as impossible."""
    group = encode_ethernet(BROADCAST, b"\x01\0\x5e\0\0\x01", 0x1234, b"")
    document = hear(encode_arp_request(LAMP, NET + 5, NET + 5), encode_arp_request(RELAY, NET + 6, NET + 6), group)
    marks = {
        one["mac"]: (one["randomised"], one["vendor"] is not None, one["impossible"]) for one in document["devices"]
    }
    assert marks == {
        "02:00:00:00:00:01": (True, False, False),
        "00:00:5e:00:53:03": (False, True, False),
        "01:00:5e:00:00:01": (False, False, True),
    }


@pytest.mark.parametrize(("hop_limit", "known"), [(255, True), (254, False)])
def test_a_neighbour_message_that_was_routed_proves_nothing(hop_limit: int, known: bool) -> None:  # noqa: FBT001
    """RFC 4861, 7.1.2: with a hop limit below 255 it may come from anywhere; the pair is kept as heard."""
    link = Ether(src=LAMP.hex(":"), dst=LOCK.hex(":")) / IPv6(src="fe80::5", dst="fe80::6", hlim=hop_limit)
    document = hear(link / ICMPv6ND_NA(tgt="fe80::5") / ICMPv6NDOptDstLLAddr(lladdr=LAMP.hex(":")))
    assert [(pair["address"], pair["mac"]) for pair in document["nd_pairs"]] == [("fe80::5", LAMP.hex(":"))]
    assert addresses(document, LAMP) == ([("fe80::5", "nd")] if known else [])


def test_who_advertises_itself_is_a_router() -> None:
    """A router advertisement with a lifetime; with lifetime 0 it says that it is none (RFC 4861, 4.2)."""
    link = Ether(src=LAMP.hex(":"), dst="33:33:00:00:00:01") / IPv6(src="fe80::5", dst="ff02::1", hlim=255)
    options = ICMPv6NDOptPrefixInfo(prefix="2001:db8::", prefixlen=64) / ICMPv6NDOptSrcLLAddr(lladdr=LAMP.hex(":"))
    documents = [hear(link / ICMPv6ND_RA(routerlifetime=lifetime_s, M=1) / options) for lifetime_s in (1800, 0)]
    assert [device(document, LAMP)["kind"] for document in documents] == [
        {"word": "router", "evidence": ["advertises itself as IPv6 router"]},
        None,
    ]
    router = documents[0]["routers"][0]
    assert (router["address"], router["mac"], router["lifetime_s"]) == ("fe80::5", LAMP.hex(":"), 1800)
    assert (router["prefixes"], router["managed"]) == (["2001:db8::/64"], True)


def test_a_routers_word_from_afar_is_not_taken() -> None:
    """RFC 4861, 6.1.2: a router advertisement with a hop limit below 255 is void."""
    link = Ether(src=LAMP.hex(":"), dst="33:33:00:00:00:01") / IPv6(src="fe80::5", dst="ff02::1", hlim=254)
    document = hear(link / ICMPv6ND_RA(routerlifetime=1800))
    assert (document["routers"], device(document, LAMP)["kind"]) == ([], None)


def test_arp_is_counted_by_what_it_is_for() -> None:
    """RFC 5227: probe, announcement; and what is neither asks, answers, or is another operation."""
    probe, announcement = encode_arp_request(LAMP, NOBODY, NET + 5), encode_arp_request(LAMP, NET + 5, NET + 5)
    request, reply = encode_arp_request(LAMP, NET + 5, NET + 6), encode_arp_reply(Arp(2, LOCK, NET + 6, LAMP, NET + 5))
    document = hear(
        probe, probe, announcement, request, request, request, reply, encode_arp_reply(Arp(9, LOCK, NET + 6, LAMP, NET))
    )
    assert document["arp_kinds"] == {"announcement": 1, "other": 1, "probe": 2, "reply": 1, "request": 3}


RADIOTAP = bytes.fromhex("0000080000000000")  # version 0, eight octets, no fields


def test_a_radio_with_its_load() -> None:
    """Name, channel, stations and busy share of a beacon; what changes is kept as it was said, the last word first."""
    beacons = [
        RADIOTAP + encode_beacon(RELAY, "lawn", 6, bss_load=BssLoad(stations, busy, 0))
        for stations, busy in ((3, 51), (4, 102), (4, 102))
    ]
    document = hear(*beacons, on=Interface(127))
    radio = document["radios"][0]
    assert (radio["bssid"], radio["ssid"], radio["channel"]) == (RELAY.hex(":"), "lawn", 6)
    # IEEE 802.11-2020, 9.4.2.27: the busy share is in 1/255.
    assert (radio["stations"], radio["busy_share"]) == (4, pytest.approx(0.4))
    assert [(load["stations"], load["busy_raw"], load["frames"]) for load in radio["loads"]] == [
        (3, 51, 1),
        (4, 102, 2),
    ]
    assert device(document, RELAY)["kind"] == {"word": "access point", "evidence": ["sends beacons"]}


@pytest.mark.parametrize(("header", "said"), [("00000900020000004c", "wrong check"), ("00ffff0000000000", "radiotap")])
def test_damaged_radio_frames_make_no_devices(header: str, said: str) -> None:
    """Radiotap says that the check sequence was wrong, or is itself damaged: counted, not read."""
    data = bytes.fromhex(header) + encode_beacon(RELAY, "lawn", 6)
    document = hear(data, on=Interface(127))
    assert (document["devices"], document["radios"]) == ([], [])
    assert [said in what for what in document["faults"]["unreadable"]] == [True]


def test_a_cooked_capture_counts_its_own_frames_too() -> None:
    """Link type 113: packet type 4 was sent by the capturing machine, which is a device as well."""
    arp = encode_arp_request(LAMP, NET + 5, NET + 6)[14:42]
    own = struct.pack("!HHH8sH", 4, 1, 6, LAMP + b"\0\0", 0x0806) + arp
    others = struct.pack("!HHH8sH", 1, 1, 6, LOCK + b"\0\0", 0x0806) + encode_arp_request(LOCK, NET + 6, NET + 7)[14:42]
    document = hear(own, others, own, on=Interface(113))
    assert addresses(document, LAMP) == [("192.0.2.5", "arp")]
    assert [device(document, mac)["capturing"] for mac in (LAMP, LOCK)] == [True, False]
    assert document["broadcast"]["segments"]["untagged"]["frames"] == {"unknown": 3}


def test_rates_are_frames_over_the_time_heard() -> None:
    """Five broadcasts and one unicast frame within five seconds: one broadcast a second."""
    frames = [encode_arp_request(LAMP, NET + 5, NET + number) for number in range(5)]
    document = hear(*frames, encode_arp_reply(Arp(2, LAMP, NET + 5, LOCK, NET + 6)))
    segment = document["broadcast"]["segments"]["untagged"]
    assert segment["frames"] == {"broadcast": 5, "unicast": 1}
    assert (segment["broadcast_per_s"], segment["multicast_per_s"]) == (1.0, 0.0)
    assert document["broadcast"]["duration_s"] == 5.0


def test_a_flood_of_made_up_devices_names_and_addresses_stays_small() -> None:
    """5,000 invented devices with names and addresses: tables keep their bounds, the flood is a finding, the old stay."""
    census = Census(Limits(devices=200, pairs=300, names=300, others=20))
    sorter = FrameSorter(census)
    known = encode_arp_request(RELAY, NET + 1, NET + 1)
    sorter.take([(at * SECOND, len(known), known, ETHERNET) for at in (0, 90)])
    tracemalloc.start()
    for number in range(5_000):
        mac = b"\x02\xaa" + number.to_bytes(4, "big")
        own = IPv4Address("10.0.0.0") + number
        answer = encode_dns_response([DnsRecord(f"host-{number}.local", A, 120, address=own)])
        records = [encode_arp_request(mac, own, own), said(mac, own, GROUP, (5353, 5353), answer)]
        sorter.take([(91 * SECOND + number, len(frame), frame, ETHERNET) for frame in records])
    sorter.settle()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    document = describe(census)
    assert len(document["devices"]) <= 200
    assert len(document["names"]) <= 300
    assert {"devices", "arp_pairs", "addresses", "names"} <= set(document["faults"]["flood"])
    assert has_findings(document)
    assert addresses(document, RELAY) == [("192.0.2.1", "arp")]
    # The flows and messages that are kept for speed are bounded too: some 20 MB at most, whatever the flood's size.
    assert peak < 40_000_000


def test_times_beyond_the_calendar_are_left_out() -> None:
    """A damaged file may say the year 500,000; the document says nothing then."""
    census = Census()
    sorter = FrameSorter(census)
    frame = encode_arp_request(LAMP, NET + 5, NET + 5)
    sorter.take([(1 << 63, len(frame), frame, ETHERNET)])
    sorter.settle()
    document = describe(census)
    assert (document["first"], document["devices"][0]["last"]) == ("2262-04-11T23:47:16.854775+00:00",) * 2
    census = Census()
    sorter = FrameSorter(census)
    sorter.take([(1 << 70, len(frame), frame, ETHERNET)])
    sorter.settle()
    assert describe(census)["first"] is None


def test_an_ipv6_address_is_known_from_what_stays_on_the_link() -> None:
    """RFC 4291, 2.7: scope 2 is not forwarded; a datagram to ff02::fb names its sender's address."""
    packet = Ether(src=LAMP.hex(":"), dst="33:33:00:00:00:fb") / IPv6(src="fe80::5", dst="ff02::fb")
    document = hear(packet / UDP(sport=5353, dport=5353) / Raw(bytes(12)))
    assert addresses(document, LAMP) == [(str(IPv6Address("fe80::5")), "heard")]
