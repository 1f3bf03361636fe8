"""The hot path says what the slow path says: which frames it decodes is its own affair, what comes out is not."""

from __future__ import annotations

import random
import struct
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING, Any

import pytest

from netaudit.observe import census_sort
from netaudit.observe.census import Census
from netaudit.observe.census_document import describe
from netaudit.observe.census_message import read_message
from netaudit.observe.census_sort import FrameSorter
from netaudit.wire.arp import Arp, encode_arp_reply, encode_arp_request
from netaudit.wire.capture import Interface, Record
from netaudit.wire.dhcp4 import encode_dhcp4_request
from netaudit.wire.dns import PTR, A, DnsRecord, encode_dns_query, encode_dns_response
from netaudit.wire.ethernet import decode_ethernet, encode_ethernet
from netaudit.wire.icmpv6 import encode_neighbour_advertisement, encode_neighbour_solicitation
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.ipv6 import encode_ipv6
from netaudit.wire.lldp import encode_lldp
from netaudit.wire.udp import encode_udp

if TYPE_CHECKING:
    from collections.abc import Iterable

ON = Interface(1)
BROADCAST = b"\xff" * 6
GROUP = IPv4Address("224.0.0.251")


def mac(host: int) -> bytes:
    """Give a host's MAC."""
    return b"\x02\0\0\0" + struct.pack("!H", host)


def datagram(  # noqa: PLR0917 - one argument a header
    host: int, target: IPv4Address, ports: tuple[int, int], data: bytes, link: bytes, vlan: int | None
) -> bytes:
    """Give a frame with a UDP datagram of a host."""
    source = IPv4Address("192.0.2.0") + host
    packet = encode_ipv4(source, target, 17, encode_udp(source, target, *ports, data))
    return encode_ethernet(link, mac(host), 0x0800, packet, vlan=vlan)


def chatter(count: int, seed: int) -> list[Record]:
    """Make the mixed talk of some hosts, much of it repeated, some of it tagged, cut or behind SNAP; times go up."""
    chance = random.Random(seed)
    records: list[Record] = []
    for number in range(count):
        host = chance.randrange(1, 12)
        own = IPv4Address("192.0.2.0") + host
        own6 = IPv6Address("fe80::") + host
        vlan = chance.choice((None, None, None, 0, 5, 7))
        frame = chance.choice(
            (
                lambda: encode_arp_request(mac(host), own, IPv4Address("192.0.2.0") + chance.randrange(4)),  # noqa: B023
                lambda: encode_arp_reply(Arp(2, mac(host), own, mac(1), IPv4Address("192.0.2.1"))),  # noqa: B023
                lambda: tagged_arp(host, own, vlan),  # noqa: B023
                lambda: snapped_arp(host, own),  # noqa: B023
                lambda: encode_neighbour_solicitation(mac(host), own6, IPv6Address("fe80::1")),  # noqa: B023
                lambda: encode_neighbour_advertisement(mac(host), mac(1), own6, IPv6Address("fe80::1")),  # noqa: B023
                lambda: datagram(host, GROUP, (5353, 5353), mdns(host), b"\x01\0\x5e\0\0\xfb", vlan),  # noqa: B023
                lambda: datagram(host, IPv4Address("255.255.255.255"), (68, 67), dhcp(host), BROADCAST, vlan),  # noqa: B023
                lambda: datagram(host, IPv4Address("192.0.2.255"), (137, 137), bytes(50), BROADCAST, vlan),  # noqa: B023
                lambda: datagram(host, IPv4Address("203.0.113.9"), (4000, 443), bytes(70), mac(1), vlan),  # noqa: B023
                lambda: encode_ethernet(mac(1), mac(host), 0x0800, encode_ipv4(own, GROUP, 6, bytes(40))),  # noqa: B023
                lambda: encode_ethernet(mac(1), mac(host), 0x86DD, encode_ipv6(own6, own6, 6, b"", hop_limit=9)),  # noqa: B023
                lambda: encode_ethernet(
                    bytes.fromhex("0180c200000e"),
                    mac(host),  # noqa: B023
                    0x88CC,
                    encode_lldp(mac(host), "7", 120, system_name=f"sw-{host}"),  # noqa: B023
                ),
            )
        )()
        at_ns = number * 50_000_000
        data = frame[: chance.randrange(len(frame))] if chance.random() < 0.05 else frame
        records.append((at_ns, len(frame), data, ON))
    return records


def tagged_arp(host: int, own: IPv4Address, vlan: int | None) -> bytes:
    """Give an announcement behind one or two tags."""
    plain = encode_arp_request(mac(host), own, own)
    if vlan == 7:
        return plain[:12] + bytes.fromhex("88a800078100000b0806") + plain[14:]
    return encode_ethernet(BROADCAST, mac(host), 0x0806, plain[14:42], vlan=vlan)


def snapped_arp(host: int, own: IPv4Address) -> bytes:
    """Give an announcement behind LLC and SNAP."""
    arp = encode_arp_request(mac(host), own, own)[14:42]
    return BROADCAST + mac(host) + struct.pack("!H", 36) + bytes.fromhex("aaaa030000000806") + arp + bytes(10)


def mdns(host: int) -> bytes:
    """Give a question or an answer."""
    if host % 3 == 0:
        return encode_dns_query("_ipp._tcp.local", PTR)
    address = IPv4Address("192.0.2.0") + host
    return encode_dns_response([DnsRecord(f"host-{host}.local", A, 120, address=address)])


def dhcp(host: int) -> bytes:
    """Give a request."""
    return encode_dhcp4_request(mac(host), host, IPv4Address("192.0.2.0") + host, hostname=f"h{host}")


def slow(records: Iterable[Record]) -> Census:
    """Take a census without any short cut: every frame decoded, every message applied, every count by hand."""
    census = Census()
    for at_ns, length, data, _ in records:
        link = decode_ethernet(data)
        source, target = (data[6:12], data[:6]) if len(data) >= 14 else (None, data[:6])
        vlans = link.vlans if link is not None else outermost(data)
        census.vlans.update(vlans)
        segment = f"vlan {vlans[0]}" if vlans and vlans[0] else "untagged"
        whom = "broadcast" if target == BROADCAST else "multicast" if target[:1] and target[0] & 1 else "unicast"
        census.heard.hear(at_ns)
        tally = census.tally(segment)
        tally.frames[whom] += 1
        tally.octets[whom] += length
        if source is not None:
            device = census.devices.hear(source, at_ns)
            device.octets += length
            device.broadcast += whom == "broadcast"
            device.multicast += whom == "multicast"
        if link is None:
            census.unreadable["link header"] += 1
            continue
        message = read_message(link.ethertype, link.payload, link.target)
        if message is not None:
            census.apply(message, source, segment, at_ns)
    return census


def outermost(data: bytes) -> tuple[int, ...]:
    """Give the VLAN of a frame that is cut inside its second tag, if its first is whole."""
    if len(data) >= 18 and data[12:14] in (b"\x81\0", b"\x88\xa8"):
        return (int.from_bytes(data[14:16], "big") & 0x0FFF,)
    return ()


def fast(records: Iterable[Record], batch: int = 10_000) -> Census:
    """Take the same census by the sorter, in batches."""
    census = Census()
    sorter = FrameSorter(census)
    pending = list(records)
    for start in range(0, len(pending), batch):
        sorter.take(pending[start : start + batch])
    sorter.settle()
    return census


def comparable(census: Census) -> dict[str, Any]:
    """Give what both ways must agree on: all but the segments of devices, and addresses only seen in passing."""
    document = describe(census)
    for device in document["devices"]:
        del device["heard_on"]
        device["addresses"] = [one for one in device["addresses"] if one["how"] != "heard"]
    return document


@pytest.mark.parametrize("seed", range(6))
def test_the_short_cuts_change_nothing(seed: int) -> None:
    """3,000 mixed frames, some repeated, tagged, cut: the census by the sorter is the one that decodes everything."""
    records = chatter(3_000, seed)
    assert comparable(fast(records)) == comparable(slow(records))


def test_full_tables_of_flows_and_memories_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """With room for ten flows and three messages, in batches of seven, the same comes out."""
    records = chatter(2_000, 77)
    monkeypatch.setattr(census_sort, "_MOST_FLOWS", 10)
    monkeypatch.setattr(census_sort, "_MOST_REMEMBERED", 1_000)
    assert comparable(fast(records, 7)) == comparable(slow(records))


def test_frames_are_conserved() -> None:
    """What the devices sent adds up to what the segments carried, and that to what there was."""
    records = [record for record in chatter(3_000, 9) if len(record[2]) >= 14]
    document = describe(fast(records))
    sent = sum(device["frames"] for device in document["devices"])
    carried = sum(sum(tally["frames"].values()) for tally in document["broadcast"]["segments"].values())
    assert sent == carried == document["frames"] == len(records)
    octets = sum(sum(tally["octets"].values()) for tally in document["broadcast"]["segments"].values())
    assert octets == sum(device["octets"] for device in document["devices"]) == sum(record[1] for record in records)


def test_whatever_order_frames_come_in_the_spans_are_the_same() -> None:
    """Reversed in time, first and last of every device, pair and name are what they were."""
    records = [record for record in chatter(500, 3) if len(record[2]) == record[1]]
    there, back = describe(fast(records)), describe(fast(records[::-1]))
    for table, key in (("devices", "mac"), ("arp_pairs", "address"), ("nd_pairs", "address"), ("names", "name")):
        assert [(one[key], one["first"], one["last"]) for one in there[table]] == [
            (one[key], one["first"], one["last"]) for one in back[table]
        ]


def test_an_address_is_known_from_what_no_router_passes_on() -> None:
    """The source of a broadcast is its sender's address; that of a routed multicast or of unicast traffic may not be."""
    frames = [
        datagram(1, IPv4Address("192.0.2.255"), (137, 137), b"here", BROADCAST, None),
        datagram(2, IPv4Address("239.1.2.3"), (5004, 5004), b"from afar", b"\x01\0\x5e\1\2\3", None),
        datagram(3, IPv4Address("192.0.2.9"), (5000, 443), b"from anywhere", mac(9), None),
    ]
    document = describe(fast([(number, len(frame), frame, ON) for number, frame in enumerate(frames)]))
    assert [[one["address"] for one in device["addresses"]] for device in document["devices"]] == [
        ["192.0.2.1"],
        [],
        [],
    ]


def test_a_link_type_without_decoder_is_counted() -> None:
    """Its frames are named under what could not be read, the others are read."""
    arp = encode_arp_request(mac(1), IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2"))
    document = describe(fast([(1, 5, b"other", Interface(192)), (2, len(arp), arp, ON)]))
    assert document["faults"]["unreadable"] == {"per-packet information": 1}
    assert document["frames"] == 2
    assert len(document["arp_pairs"]) == 1
