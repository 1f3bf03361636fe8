"""
The captures of the demo site, the same bytes at each run and on each machine.

- `wired.pcap`: five minutes on a mirror port of the pantry switch. Devices join (ARP, DHCP, neighbour discovery), say
  their names (mDNS), switches and access points tell who they are (LLDP). A second DHCP server answers, a stranger
  joins, two devices claim one address, the yard's access point takes its leave.
- `uplink.pcapng`: both sides of the router on two interfaces with names and nanoseconds: questions of names from inside,
  echoes to the outside.
- `air.pcap`: ten minutes of beacons of the planned access points, with how many stations they have and how busy it is.

Everything in it is invented: the plan's private addresses and locally administered MACs, documentation addresses outside.
"""

from __future__ import annotations

import io
import random
import struct
import zlib
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from netaudit.demo.cast import Actor, make_cast
from netaudit.wire import dns
from netaudit.wire.arp import Arp, encode_arp_reply, encode_arp_request
from netaudit.wire.dhcp4 import (
    ACK,
    OFFER,
    encode_dhcp4_discover,
    encode_dhcp4_reply,
    encode_dhcp4_request,
)
from netaudit.wire.dns import DnsRecord, encode_dns_query, encode_dns_response
from netaudit.wire.dot11 import encode_beacon
from netaudit.wire.elements import BssLoad
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.icmp import ECHO_REPLY, ECHO_REQUEST, encode_echo
from netaudit.wire.icmpv6 import encode_neighbour_advertisement, encode_neighbour_solicitation
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.lldp import LldpPower, encode_lldp
from netaudit.wire.pcap import PcapWriter
from netaudit.wire.radiotap import encode_radiotap
from netaudit.wire.udp import PROTOCOL as UDP
from netaudit.wire.udp import encode_udp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from netaudit.site.model import AccessPoint, Recorder, Segment, Site

START_NS = int(datetime(2026, 3, 2, 8, 0, tzinfo=UTC).timestamp()) * 1_000_000_000
SECOND_NS = 1_000_000_000
IPV4, LLDP = 0x0800, 0x88CC
BROADCAST = b"\xff" * 6
NOBODY, EVERYBODY = IPv4Address("0.0.0.0"), IPv4Address("255.255.255.255")  # noqa: S104 - an address in a packet
MDNS = IPv4Address("224.0.0.251")
MDNS_MAC, LLDP_MAC = bytes.fromhex("01005e0000fb"), bytes.fromhex("0180c200000e")
ROUTER_MAC = bytes.fromhex("02005e100001")
STRANGER_MAC, SECOND_SERVER_MAC = bytes.fromhex("02005eee0001"), bytes.fromhex("02005eee0067")
WAN_MAC, CARRIER_MAC = bytes.fromhex("02005e100002"), bytes.fromhex("02005ec00001")
WAN_IP, CARRIER_IP, FAR_IP = IPv4Address("198.51.100.20"), IPv4Address("198.51.100.1"), IPv4Address("192.0.2.53")

# What a kind of device offers by DNS-SD (the IANA registry of service names).
SERVICES = {
    "printer": "_ipp._tcp.local",
    "server": "_smb._tcp.local",
    "desktop": "_workstation._tcp.local",
    "laptop": "_workstation._tcp.local",
    "wired_television": "_http._tcp.local",
    "speaker": "_daap._tcp.local",
    "hub": "_http._tcp.local",
    "camera": "_rtsp._tcp.local",
    "desk_phone": "_sip._udp.local",
}

Event = tuple[int, bytes]


def mac(text: str) -> bytes:
    """Read a MAC with colons."""
    return bytes.fromhex(text.replace(":", ""))


def tagged(frame: bytes, vlan: int | None) -> bytes:
    """Put an 802.1Q tag into a whole frame; none for a segment without a VLAN."""
    return frame if vlan is None else frame[:12] + struct.pack("!HH", 0x8100, vlan) + frame[12:]


def over_udp(
    source_mac: bytes, target_mac: bytes, ends: tuple[IPv4Address, IPv4Address], ports: tuple[int, int], payload: bytes
) -> bytes:
    """Wrap a payload in UDP, IPv4 and Ethernet."""
    datagram = encode_udp(*ends, *ports, payload)
    ttl = 255 if ends[1] == MDNS else 64  # RFC 6762 section 11
    return encode_ethernet(target_mac, source_mac, IPV4, encode_ipv4(*ends, UDP, datagram, ttl=ttl))


def link_local(address: bytes) -> IPv6Address:
    """Give the address that a host makes of its MAC (RFC 4291 appendix A)."""
    return IPv6Address(b"\xfe\x80" + bytes(6) + bytes([address[0] ^ 2]) + address[1:3] + b"\xff\xfe" + address[3:])


def gateway(segment: Segment) -> IPv4Address:
    """Give the router's address in a segment."""
    return segment.gateway or segment.network[1]


def after(chance: random.Random, start_ns: int, low_s: float, high_s: float) -> int:
    """Give a moment some seconds after another."""
    return start_ns + int(chance.uniform(low_s, high_s) * SECOND_NS)


# ---------------------------------------------------------------------------------------------------- wired.pcap


def present(site: Site) -> list[Actor]:
    """Choose who is on the wire: all that stand alone in the plan, and every second one of the groups."""
    return [
        actor for index, actor in enumerate(make_cast(site)) if site.device[actor.name].count == 1 or index % 2 == 0
    ]


def has_fixed_address(site: Site, actor: Actor) -> bool:
    """Tell whether the plan gives the device its address."""
    return site.device[actor.name].address is not None


def by_arp(chance: random.Random, at_ns: int, client: bytes, address: IPv4Address, router: IPv4Address) -> list[Event]:
    """Take an address as RFC 5227 wants, then look for the router."""
    probe = after(chance, at_ns, 0.1, 1)
    claim = after(chance, probe, 1, 2)
    ask = after(chance, claim, 0.01, 0.3)
    answer = Arp(2, ROUTER_MAC, router, client, address)
    return [
        (probe, encode_arp_request(client, NOBODY, address)),
        (claim, encode_arp_request(client, address, address)),
        (ask, encode_arp_request(client, address, router)),
        (after(chance, ask, 0.0002, 0.0006), encode_arp_reply(answer)),
    ]


def by_dhcp(chance: random.Random, at_ns: int, actor: Actor, segment: Segment, *, is_new: bool) -> list[Event]:
    """Get a lease: the four messages of a new device, or the two of one that comes back (RFC 2131 section 4.3.2)."""
    client, server = mac(actor.mac), gateway(segment)
    xid = chance.getrandbits(32)
    lease_s = int(segment.lease_s or 86_400)
    asking = (client, BROADCAST, (NOBODY, EVERYBODY), (68, 67))
    answering = (ROUTER_MAC, BROADCAST, (server, EVERYBODY), (67, 68))

    def reply(kind: int) -> bytes:
        return encode_dhcp4_reply(
            kind,
            client,
            xid,
            actor.address,
            server,
            lease_s=lease_s,
            subnet_mask=segment.network.netmask,
            router=server,
        )

    events: list[Event] = []
    if is_new:
        events.append((at_ns, over_udp(*asking, encode_dhcp4_discover(client, xid, hostname=actor.label))))
        at_ns = after(chance, at_ns, 0.001, 0.02)
        events.append((at_ns, over_udp(*answering, reply(OFFER))))
        at_ns = after(chance, at_ns, 0.001, 0.05)
    request = encode_dhcp4_request(
        client, xid, actor.address, server_id=server if is_new else None, hostname=actor.label
    )
    events.append((at_ns, over_udp(*asking, request)))
    events.append((after(chance, at_ns, 0.001, 0.02), over_udp(*answering, reply(ACK))))
    return events


def by_neighbour_discovery(chance: random.Random, at_ns: int, client: bytes) -> list[Event]:
    """Check the link-local address for duplicates (RFC 4862 section 5.4), then look for the router's."""
    own, router = link_local(client), link_local(ROUTER_MAC)
    ask = after(chance, at_ns, 1, 3)
    return [
        (at_ns, encode_neighbour_solicitation(client, IPv6Address(0), own)),
        (ask, encode_neighbour_solicitation(client, own, router)),
        (
            after(chance, ask, 0.0002, 0.0006),
            encode_neighbour_advertisement(ROUTER_MAC, client, router, own, is_router=True),
        ),
    ]


def by_mdns(at_ns: int, actor: Actor) -> list[Event]:
    """Announce name and service, twice a second apart (RFC 6762 section 8.3)."""
    name = f"{actor.label}.local"
    service = SERVICES[actor.kind]
    records = [
        DnsRecord(name, dns.A, 120, cache_flush=True, address=actor.address),
        DnsRecord(f"{actor.address.reverse_pointer}", dns.PTR, 120, cache_flush=True, target=name),
        DnsRecord(service, dns.PTR, 4500, target=f"{actor.label}.{service}"),
    ]
    frame = over_udp(mac(actor.mac), MDNS_MAC, (actor.address, MDNS), (5353, 5353), encode_dns_response(records))
    return [(at_ns, frame), (at_ns + SECOND_NS, frame)]


def by_lldp(site: Site) -> Iterator[Event]:
    """Give what the switches and access points say of themselves each 30 s (IEEE 802.1AB-2016 9.2.5)."""
    speakers: list[tuple[bytes, Callable[[int], bytes]]] = []
    for name, row in site.switch.items():
        if row.mac is None:
            continue
        chassis = mac(row.mac)

        def switch(ttl_s: int, chassis: bytes = chassis, name: str = name) -> bytes:
            return encode_lldp(
                chassis,
                "mirror" if name == "pantry" else "uplink",
                ttl_s,
                system_name=f"switch-{name}",
                capabilities=0x0004,
            )

        speakers.append((chassis, switch))
    for name, point in site.access_point.items():
        if point.mac is None:
            continue
        chassis = mac(point.mac)

        def access_point(
            ttl_s: int, chassis: bytes = chassis, name: str = name, address: IPv4Address | None = point.address
        ) -> bytes:
            # A powered device of class 4 that asks for what the plan says it draws.
            return encode_lldp(
                chassis,
                "eth0",
                ttl_s,
                system_name=f"ap-{name}",
                capabilities=0x0008,
                management_address=address,
                power=LldpPower(0, 1, 5, 13.0, 13.0, 2),
            )

        speakers.append((chassis, access_point))
    for number, (chassis, write) in enumerate(speakers):
        for turn in range(10):
            at_ns = START_NS + (turn * 30 + number) * SECOND_NS
            is_leaving = turn == 9 and number == len(speakers) - 1
            yield at_ns, encode_ethernet(LLDP_MAC, chassis, LLDP, write(0 if is_leaving else 120))


def incidents(site: Site, chance: random.Random) -> list[Event]:
    """Add what a careful reader should find: a second DHCP server, a stranger, two claims to one address."""
    family, plant = site.segment["family"], site.segment["plant"]
    stranger, second = family.network[201], family.network[250]
    asked = START_NS + 100 * SECOND_NS
    discover = encode_dhcp4_discover(STRANGER_MAC, 0x5EE0001, hostname="unnamed")
    offer = encode_dhcp4_reply(
        OFFER,
        STRANGER_MAC,
        0x5EE0001,
        stranger,
        second,
        lease_s=3600,
        subnet_mask=family.network.netmask,
        router=second,
    )
    events = [
        (asked, over_udp(STRANGER_MAC, BROADCAST, (NOBODY, EVERYBODY), (68, 67), discover)),
        (asked + 3_000_000, over_udp(SECOND_SERVER_MAC, BROADCAST, (second, EVERYBODY), (67, 68), offer)),
        *by_arp(chance, asked + SECOND_NS, STRANGER_MAC, stranger, gateway(family)),
        (asked + 2 * SECOND_NS, encode_arp_request(SECOND_SERVER_MAC, second, second)),
    ]
    events = [(at, tagged(frame, family.vlan)) for at, frame in events]
    owner, usurper = site.device["heat-pump"], site.device["loom-control"]
    if owner.address is not None:
        for turn in range(2):  # the owner defends its address at once (RFC 5227 section 2.4)
            for second_at, device in ((250, usurper), (251, owner)):
                claim = encode_arp_request(mac(device.mac[0]), owner.address, owner.address)
                events.append((START_NS + (second_at + 12 * turn) * SECOND_NS, tagged(claim, plant.vlan)))
    return events


def wired(site: Site) -> bytes:
    """Give `wired.pcap`."""
    chance = random.Random(802_3)
    events: list[Event] = [*by_lldp(site), *incidents(site, chance)]
    hosts: list[AccessPoint | Recorder] = [*site.access_point.values(), *site.recorder.values()]
    for host in hosts:
        if host.mac is not None and host.address is not None and host.segment is not None:
            segment = site.segment[host.segment]
            joined = after(chance, START_NS, 0, 20)
            own = by_arp(chance, joined, mac(host.mac), host.address, gateway(segment))
            events += [(at, tagged(frame, segment.vlan)) for at, frame in own]
    for index, actor in enumerate(present(site)):
        segment = site.segment[actor.segment]
        router = gateway(segment)
        client = mac(actor.mac)
        joined = after(chance, START_NS, 0, 240)
        own = []
        if not has_fixed_address(site, actor):
            own += by_dhcp(chance, joined, actor, segment, is_new=index % 3 == 0)
            joined = after(chance, joined, 0.1, 0.5)
        own += by_arp(chance, joined, client, actor.address, router)
        if not actor.profile.sleeps:
            own += by_neighbour_discovery(chance, after(chance, joined, 0.1, 1), client)
        if actor.kind in SERVICES:
            own += by_mdns(after(chance, joined, 4, 8), actor)
        if actor.kind in ("phone", "tablet"):
            query = encode_dns_query("_ipp._tcp.local", dns.PTR, unicast_response=True)
            frame = over_udp(client, MDNS_MAC, (actor.address, MDNS), (5353, 5353), query)
            own.append((after(chance, joined, 4, 20), frame))
        events += [(at, tagged(frame, segment.vlan)) for at, frame in own]
    return classic(sorted(events), 1)


# ---------------------------------------------------------------------------------------------------- uplink.pcapng


def block(kind: int, body: bytes) -> bytes:
    """Write a pcapng block; its length stands at both ends (draft-ietf-opsawg-pcapng section 3.1)."""
    length = 12 + len(body) + -len(body) % 4
    return struct.pack("<II", kind, length) + body + bytes(-len(body) % 4) + struct.pack("<I", length)


def option(code: int, value: bytes) -> bytes:
    """Write an option, filled up to four octets (section 3.5)."""
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def interface(name: str) -> bytes:
    """Write an interface with a name and a clock of nanoseconds (section 4.2: options 2 and 9)."""
    return block(1, struct.pack("<HHI", 1, 0, 0) + option(2, name.encode()) + option(9, b"\x09") + option(0, b""))


def packet(number: int, at_ns: int, frame: bytes) -> bytes:
    """Write a frame of an interface (section 4.3)."""
    head = struct.pack("<IIIII", number, at_ns >> 32, at_ns & 0xFFFFFFFF, len(frame), len(frame))
    return block(6, head + frame)


def uplink(site: Site) -> bytes:
    """Give `uplink.pcapng`: interface 0 `inside`, 1 `outside`."""
    chance = random.Random(1918)
    family = site.segment["family"]
    inside = [actor for actor in present(site) if actor.segment == "family"]
    router = gateway(family)
    events: list[tuple[int, int, bytes]] = [
        (START_NS, 1, encode_arp_request(WAN_MAC, WAN_IP, CARRIER_IP)),
        (START_NS + 700_123, 1, encode_arp_reply(Arp(2, CARRIER_MAC, CARRIER_IP, WAN_MAC, WAN_IP))),
    ]
    for turn in range(120):  # two minutes, an echo a second, of which one is lost
        at_ns = START_NS + turn * SECOND_NS + chance.randrange(1_000_000)
        data = bytes(range(32))
        ask = encode_ipv4(WAN_IP, FAR_IP, 1, encode_echo(ECHO_REQUEST, 0x4E41, turn, data))
        events.append((at_ns, 1, encode_ethernet(CARRIER_MAC, WAN_MAC, IPV4, ask)))
        if turn != 77:
            answer = encode_ipv4(FAR_IP, WAN_IP, 1, encode_echo(ECHO_REPLY, 0x4E41, turn, data), ttl=57)
            frame = encode_ethernet(WAN_MAC, CARRIER_MAC, IPV4, answer)
            events.append((at_ns + int(chance.uniform(10.4e6, 12.1e6)), 1, frame))
    for turn in range(150):
        actor = inside[chance.randrange(len(inside))]
        client = mac(actor.mac)
        at_ns = after(chance, START_NS, 0, 119)
        name = f"host{turn % 20}.example"
        port, identity = 49152 + turn, chance.getrandbits(16)
        query = encode_dns_query(name, dns.A, identity=identity)
        record = DnsRecord(name, dns.A, 300, address=IPv4Address("203.0.113.0") + turn % 20 + 1)
        answer = encode_dns_response([record], identity=identity)
        events += [
            (at_ns, 0, over_udp(client, ROUTER_MAC, (actor.address, router), (port, 53), query)),
            (
                at_ns + int(chance.uniform(3e5, 15e6)),
                0,
                over_udp(ROUTER_MAC, client, (router, actor.address), (53, port), answer),
            ),
        ]
    section = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    packets = b"".join(packet(number, at_ns, frame) for at_ns, number, frame in sorted(events))
    return section + interface("inside") + interface("outside") + packets


# ---------------------------------------------------------------------------------------------------- air.pcap


def centre_mhz(channel: int) -> int:
    """Give the centre of a 20 MHz channel: 2,407 + 5 n in 2.4 GHz, 5,000 + 5 n in 5 GHz (IEEE 802.11-2020 annex E)."""
    return (2407 if channel <= 13 else 5000) + 5 * channel


def air(site: Site) -> bytes:
    """Give `air.pcap`: one beacon in four seconds of each radio, the load of a morning that gets going."""
    chance = random.Random(802_11)
    ssid = site.segment["family"].ssid or "heron"
    events: list[Event] = []
    for number, point in enumerate(site.access_point.values()):
        for radio, bssid in zip(point.radio, point.bssids, strict=True):
            if not isinstance(radio.channel, int):
                continue
            is_slow = radio.band == "2.4"
            stations = 14 if is_slow else 5
            signal_dbm = -48 - 7 * number - (0 if is_slow else 6)
            for turn in range(150):
                at_ns = START_NS + turn * 4 * SECOND_NS + chance.randrange(1_024_000) + number * 10_240_000
                grown = turn / 150
                busy = (0.28 if is_slow else 0.06) + (0.25 if is_slow else 0.10) * grown
                busy += 0.08 * abs((turn / 25 + number / 3) % 2 - 1) + chance.uniform(-0.02, 0.02)
                load = BssLoad(
                    stations=stations + int(6 * grown) + chance.choice((-1, 0, 0, 0, 1)),
                    busy_raw=min(255, max(0, round(255 * busy))),
                    admission_capacity=0,
                )
                frame = encode_beacon(
                    mac(bssid),
                    ssid,
                    radio.channel,
                    bss_load=load,
                    timestamp_us=at_ns // 1000 % (1 << 40),
                    sequence=turn * 40 % 4096,
                )
                head = encode_radiotap(
                    centre_mhz(radio.channel), signal_dbm + chance.choice((-2, -1, 0, 0, 1)), fcs_at_end=True
                )
                events.append((at_ns, head + frame + zlib.crc32(frame).to_bytes(4, "little")))
    return classic(sorted(events), 127)


def classic(events: list[Event], linktype: int) -> bytes:
    """Write frames as a classic capture."""
    stream = io.BytesIO()
    writer = PcapWriter(stream, linktype)
    for at_ns, frame in events:
        writer.write(at_ns, frame)
    return stream.getvalue()


def make_captures(site: Site) -> dict[str, bytes]:
    """Give all captures by file name."""
    return {"wired.pcap": wired(site), "uplink.pcapng": uplink(site), "air.pcap": air(site)}
