"""
The census: who is on the network, under which addresses and names, from frames that were heard.

The same code serves a file and a live listener. Frames come in through `FrameSorter` (census_sort.py), which decides
which of them need decoding; here is what a decoded message means. Nothing is sent, nothing is asked.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from netaudit.observe.bounded import Bounded, Span
from netaudit.observe.census_kind import by_capabilities, by_service, by_upnp, service_of
from netaudit.observe.observation import How
from netaudit.wire import dhcp4, dhcp6
from netaudit.wire.arp import REPLY, REQUEST, Arp
from netaudit.wire.dhcp4 import Dhcp4
from netaudit.wire.dhcp6 import Dhcp6
from netaudit.wire.dns import DnsMessage
from netaudit.wire.icmpv6 import NEIGHBOUR_ADVERTISEMENT, ROUTER_ADVERTISEMENT, Neighbour
from netaudit.wire.lldp import Lldp
from netaudit.wire.ssdp import Ssdp

if TYPE_CHECKING:
    from collections.abc import Callable

    from netaudit.observe.census_message import Message
    from netaudit.wire.dot11 import Dot11

Address = IPv4Address | IPv6Address

AIR = "air"
# What one device may fill of its own small sets; a real one has a few of each.
_MOST_MARKS = 16
MOST_SEGMENTS = 64
_MOST_LOADS = 1024
_PTR = 12
# DHCP answers that only a server gives.
_SERVER_TYPES = frozenset((dhcp4.OFFER, dhcp4.ACK, 6))  # 6 is NAK
_INFORM = 8
# A client identifier has two octets or more (RFC 2132, 9.14). Those that are met are a type with a MAC, a UUID, a host name
# (63 at most) or an RFC 4361 one (23 with a UUID inside): who sends a longer one is matched by other means.
_LEAST_IDENTIFIER, _MOST_IDENTIFIER = 2, 64
_REPLY6 = 7
_ETHERNET_TYPE = b"\x01"  # the hardware type of Ethernet, before a MAC
# An address nobody has: the sender of a probe, the client that asks for its first address.
_NOBODY = (IPv4Address(0), IPv6Address(0))


@dataclass(frozen=True, slots=True)
class Limits:
    """
    The most entries of each table.

    A device costs 490 bytes, a pair or an address 265, a name 305, or 410 if it is as long as names can be (measured with
    tracemalloc, CPython 3.11). `pairs` bounds three tables, `names` six.
    """

    devices: int
    pairs: int
    names: int
    others: int


# A file is read by a person at a desk: room for the largest site twenty times over, 175 MB if all tables are full.
FILE_LIMITS = Limits(devices=32_768, pairs=65_536, names=65_536, others=4_096)
# The always-on box has 512 MiB for everything: eight times the addresses of a /23, 16 MB if all tables are full.
LIVE_LIMITS = Limits(devices=4_096, pairs=8_192, names=4_096, others=512)


class Device(Span):
    """
    One sender: what its frames added up to. `count` is the number of its frames; `is_here` says that it is the machine
    that captured them, as cooked captures tell.
    """

    __slots__ = ("broadcast", "is_here", "marks", "multicast", "octets", "segments")

    def __init__(self) -> None:
        super().__init__()
        self.octets = 0
        self.broadcast = 0
        self.multicast = 0
        self.is_here = False
        self.segments: set[str] = set()
        self.marks: dict[str, str] = {}

    def mark(self, kind: str, evidence: str) -> None:
        """Note evidence for what kind of device this is."""
        if len(self.marks) < _MOST_MARKS:
            self.marks.setdefault(evidence, kind)


class Server(Span):
    """A DHCP server that was heard to answer: by which MAC its frames came (None behind a relay)."""

    __slots__ = ("mac",)

    def __init__(self) -> None:
        super().__init__()
        self.mac: bytes | None = None


class Router(Span):
    """An IPv6 router that advertises itself: who sent it, and its latest word."""

    __slots__ = ("mac", "said")

    def __init__(self) -> None:
        super().__init__()
        self.mac: bytes | None = None
        self.said: Neighbour | None = None


class Link(Span):
    """A neighbour that speaks LLDP: its latest word and who sent the frame."""

    __slots__ = ("lldp", "mac", "segment")

    def __init__(self) -> None:
        super().__init__()
        self.lldp: Lldp | None = None
        self.mac: bytes | None = None
        self.segment = ""


class Radio(Span):
    """One BSSID: its latest name and channel, and every (stations, busy) that it announced. `count` is its beacons."""

    __slots__ = ("channel", "load", "loads", "names", "probe_responses", "signal_dbm")

    def __init__(self) -> None:
        super().__init__()
        self.channel: int | None = None
        self.names: dict[bytes, str] = {}
        self.probe_responses = 0
        self.signal_dbm: int | None = None
        self.load: tuple[int, int] | None = None
        self.loads: Counter[tuple[int, int]] = Counter()


class Tally:
    """Frames and octets of one segment, by whom they were for."""

    __slots__ = ("frames", "octets")

    def __init__(self) -> None:
        self.frames: Counter[str] = Counter()
        self.octets: Counter[str] = Counter()


@dataclass(frozen=True, slots=True)
class _Origin:
    """Who sent a message, where, when last and how often."""

    mac: bytes | None
    device: Device | None
    segment: str
    at_ns: int
    count: int


class Census:
    """
    All that was heard. The tables are open to those who read them; only the methods here write to them.

    Addresses are kept packed, as 4 or 16 bytes: an address object takes a microsecond to hash.
    """

    def __init__(self, limits: Limits = FILE_LIMITS) -> None:
        self.limits = limits
        self.before_forgetting: Callable[[], None] | None = None
        self.devices: Bounded[bytes, Device] = Bounded(limits.devices, Device, self._bring_in)
        self.arp_pairs: Bounded[tuple[bytes, bytes], Span] = Bounded(limits.pairs, Span, self._bring_in)
        self.nd_pairs: Bounded[tuple[bytes, bytes], Span] = Bounded(limits.pairs, Span, self._bring_in)
        self.addresses: Bounded[tuple[bytes, bytes, How], Span] = Bounded(limits.pairs, Span, self._bring_in)
        self.names: Bounded[tuple[bytes, str, How], Span] = Bounded(limits.names, Span, self._bring_in)
        self.identifiers: Bounded[tuple[bytes, str], Span] = Bounded(limits.names, Span, self._bring_in)
        self.services: Bounded[tuple[bytes, str], Span] = Bounded(limits.names, Span, self._bring_in)
        self.mdns_names: Bounded[str, Span] = Bounded(limits.names, Span, self._bring_in)
        self.hostnames: Bounded[str, Span] = Bounded(limits.names, Span, self._bring_in)
        self.fqdns: Bounded[str, Span] = Bounded(limits.names, Span, self._bring_in)
        self.servers: Bounded[tuple[str, str], Server] = Bounded(limits.others, Server, self._bring_in)
        self.routers: Bounded[tuple[str, bytes], Router] = Bounded(limits.others, Router, self._bring_in)
        self.neighbours: Bounded[tuple[int, str, int, str], Link] = Bounded(limits.others, Link, self._bring_in)
        self.radios: Bounded[str, Radio] = Bounded(limits.others, Radio, self._bring_in)
        self.segments: dict[str, Tally] = {}
        self.protocols: Counter[str] = Counter()
        self.unreadable: Counter[str] = Counter()
        self.arp_kinds: Counter[str] = Counter()
        self.dhcp_types: Counter[str] = Counter()
        self.dhcp6_types: Counter[str] = Counter()
        self.vlans: set[int] = set()
        self.heard = Span()

    def _bring_in(self) -> None:
        """Let whoever feeds this census bring in what it still holds, before a full table forgets somebody."""
        if self.before_forgetting is not None:
            self.before_forgetting()

    def tally(self, segment: str) -> Tally:
        """Give the counters of a segment; there are at most as many as VLANs, so nobody can make them grow for ever."""
        found = self.segments.get(segment)
        if found is None:
            found = self.segments[segment] = Tally()
        return found

    def apply(self, message: Message, mac: bytes | None, segment: str, at_ns: int, count: int = 1) -> None:
        """
        Take in a message that `mac` sent `count` times, the last time at `at_ns`.

        `mac` is None where the capture doesn't tell who sent it; its addresses and names then belong to nobody.
        """
        self.protocols[message.protocol] += count
        device = None if mac is None else self.devices.get(mac)
        origin = _Origin(mac, device, segment, at_ns, count)
        # Neighbour discovery says by itself whose address it is.
        if device is not None and mac is not None and message.is_near and message.protocol != "nd":
            self._near(mac, message.source, at_ns, count)
        match message.body:
            case Arp() as arp:
                self._arp(arp, origin)
            case Neighbour() as neighbour:
                self._neighbour(neighbour, message, origin)
            case DnsMessage() as dns:
                self._dns(dns, message, origin)
            case Dhcp4() as dhcp:
                self._dhcp(dhcp, message, origin)
            case Dhcp6() as dhcp:
                self._dhcp6(dhcp, origin)
            case Ssdp() as ssdp:
                self._ssdp(ssdp, origin)
            case Lldp() as lldp:
                self._lldp(lldp, origin)
            case None:
                if message.protocol != "rarp":
                    self.unreadable[message.protocol] += count

    def _near(self, mac: bytes, source: Address | None, at_ns: int, count: int) -> None:
        """Note the address from which a sender on this segment spoke."""
        if source is not None and source not in _NOBODY:
            self.addresses.hear((mac, source.packed, How.HEARD), at_ns, count)

    def _arp(self, arp: Arp, origin: _Origin) -> None:
        packed = arp.sender_ip.packed
        self.arp_kinds[_arp_kind(arp)] += origin.count
        self.arp_pairs.hear((packed, arp.sender_mac), origin.at_ns, origin.count)
        # A frame's sender and ARP's sender differ behind some bridges and in forgeries; then the pair stands alone.
        if arp.sender_mac == origin.mac and any(packed):
            self.addresses.hear((arp.sender_mac, packed, How.ARP), origin.at_ns, origin.count)

    def _neighbour(self, neighbour: Neighbour, message: Message, origin: _Origin) -> None:
        advertised = neighbour.kind == NEIGHBOUR_ADVERTISEMENT
        address = neighbour.target if advertised else message.source
        link = neighbour.target_link if advertised else neighbour.source_link
        if isinstance(address, IPv6Address) and link is not None:
            self.nd_pairs.hear((address.packed, link), origin.at_ns, origin.count)
            if message.is_near and link == origin.mac and address not in _NOBODY:
                self.addresses.hear((link, address.packed, How.ND), origin.at_ns, origin.count)
        if neighbour.kind == ROUTER_ADVERTISEMENT and message.is_near and message.source is not None:
            router = self.routers.hear((origin.segment, message.source.packed), origin.at_ns, origin.count)
            router.mac, router.said = origin.mac, neighbour
            if origin.device is not None and neighbour.router_lifetime_s:
                origin.device.mark("router", "advertises itself as IPv6 router")

    def _dns(self, dns: DnsMessage, message: Message, origin: _Origin) -> None:
        if message.protocol != "mdns":
            return  # LLMNR answers go to the one who asked; that its sender spoke here is all there is to learn
        for name in dns.names:
            self.mdns_names.hear(name, origin.at_ns, origin.count)
        if not dns.is_response or origin.mac is None or origin.device is None:
            return
        for name in _own_names(dns, message.source):
            self.names.hear((origin.mac, name, How.MDNS), origin.at_ns, origin.count)
        for record in dns.records:
            # The instances that a device announces are its own; with a time to live of 0 it takes one back.
            if record.type != _PTR or not record.target or not record.ttl_s:
                continue
            mark = by_service(record.target)
            if mark is not None:
                origin.device.mark(*mark)
            service = service_of(record.target)
            if service is not None:
                self.services.hear((origin.mac, service), origin.at_ns, origin.count)

    def _dhcp(self, dhcp: Dhcp4, message: Message, origin: _Origin) -> None:
        kind = dhcp.message_type
        self.dhcp_types["BOOTP" if kind is None else dhcp4.MESSAGE_NAMES.get(kind, str(kind))] += origin.count
        if dhcp.hostname:
            self.hostnames.hear(dhcp.hostname, origin.at_ns, origin.count)
        if dhcp.client_fqdn:
            self.fqdns.hear(dhcp.client_fqdn, origin.at_ns, origin.count)
        if dhcp.operation == dhcp4.BOOTREPLY and kind in _SERVER_TYPES:
            address = dhcp.server_id or message.source
            server = self.servers.hear((origin.segment, str(address)), origin.at_ns, origin.count)
            if dhcp.giaddr is None and origin.device is not None:
                server.mac = origin.mac
                origin.device.mark("DHCP server", "answers DHCP")
        client = _mac(dhcp.client_mac)
        # The client named inside is a device only if it was heard itself: relays and lease queries name absent ones.
        if client is None or client not in self.devices:
            return
        name = (dhcp.client_fqdn or "").rstrip(".") or dhcp.hostname
        if name:
            self.names.hear((client, name, How.DHCP), origin.at_ns, origin.count)
        identifier = _identifier(dhcp, client)
        if identifier is not None:
            self.identifiers.hear((client, identifier), origin.at_ns, origin.count)
        held = None
        if dhcp.operation == dhcp4.BOOTREPLY:
            held = dhcp.yiaddr if kind == dhcp4.ACK else None
        elif kind == dhcp4.REQUEST:
            held = dhcp.ciaddr or dhcp.requested_ip
        elif kind == _INFORM:
            held = dhcp.ciaddr
        if held is not None:
            self.addresses.hear((client, held.packed, How.DHCP), origin.at_ns, origin.count)

    def _dhcp6(self, dhcp: Dhcp6, origin: _Origin) -> None:
        kind = dhcp.message_type
        self.dhcp6_types[dhcp6.MESSAGE_NAMES.get(kind, str(kind))] += origin.count
        # The DUID holds the MAC of some interface of the client: it counts only if we heard that one.
        client = _mac(dhcp.client_duid_mac)
        if client is None or client not in self.devices:
            return
        if dhcp.fqdn:
            self.names.hear((client, dhcp.fqdn, How.DHCP), origin.at_ns, origin.count)
        if kind == _REPLY6:
            for address in dhcp.addresses:
                self.addresses.hear((client, address.packed, How.DHCP), origin.at_ns, origin.count)

    def _ssdp(self, ssdp: Ssdp, origin: _Origin) -> None:
        if origin.device is None or not ssdp.target or ssdp.method == "M-SEARCH" or ssdp.state == "ssdp:byebye":
            return
        mark = by_upnp(ssdp.target)
        if mark is not None:
            origin.device.mark(*mark)

    def _lldp(self, lldp: Lldp, origin: _Origin) -> None:
        key = (lldp.chassis_subtype, lldp.chassis_id, lldp.port_subtype, lldp.port_id)
        link = self.neighbours.hear(key, origin.at_ns, origin.count)
        link.lldp, link.mac, link.segment = lldp, origin.mac, origin.segment
        if origin.mac is None or origin.device is None:
            return
        if lldp.system_name:
            self.names.hear((origin.mac, lldp.system_name, How.LLDP), origin.at_ns, origin.count)
        for kind, evidence in by_capabilities(lldp.enabled_capabilities):
            origin.device.mark(kind, evidence)

    def apply_radio(self, frame: Dot11, at_ns: int, length: int, signal_dbm: int | None) -> None:
        """Take in one 802.11 frame of `length` octets on the air."""
        tally = self.tally(AIR)
        whom = "unicast"
        if frame.addr1 is not None and int(frame.addr1[:2], 16) & 1:
            whom = "broadcast" if frame.addr1 == "ff:ff:ff:ff:ff:ff" else "multicast"
        tally.frames[whom] += 1
        tally.octets[whom] += length
        device = None
        if frame.addr2 is not None:
            device = self.devices.hear(_packed(frame.addr2), at_ns)
            device.octets += length
            device.broadcast += whom == "broadcast"
            device.multicast += whom == "multicast"
            device.segments.add(AIR)
        if not (frame.is_beacon or frame.is_probe_response) or frame.bssid is None:
            return
        self.protocols["beacon" if frame.is_beacon else "probe response"] += 1
        radio = self.radios.hear(frame.bssid, at_ns, 1 if frame.is_beacon else 0)
        radio.probe_responses += frame.is_probe_response
        radio.channel = frame.channel or radio.channel
        radio.signal_dbm = signal_dbm if signal_dbm is not None else radio.signal_dbm
        if frame.elements is not None and frame.elements.ssid and frame.ssid and len(radio.names) < _MOST_MARKS:
            radio.names.setdefault(frame.elements.ssid, frame.ssid)
        if frame.bss_load is not None and len(radio.loads) < _MOST_LOADS:
            radio.load = (frame.bss_load.stations, frame.bss_load.busy_raw)
            radio.loads[radio.load] += 1
        if device is not None:
            device.mark("access point", "sends beacons" if frame.is_beacon else "answers probes")


def _arp_kind(arp: Arp) -> str:
    """Say what an ARP message is for, in the words of RFC 5227."""
    if arp.is_probe:
        return "probe"
    if arp.is_announcement:
        return "announcement"
    return {REQUEST: "request", REPLY: "reply"}.get(arp.operation, "other")


def _packed(mac: str) -> bytes:
    return bytes.fromhex(mac.replace(":", ""))


def _mac(text: str | None) -> bytes | None:
    return None if text is None else _packed(text)


def _identifier(dhcp: Dhcp4, client: bytes) -> str | None:
    """Give option 61 in hex; None where it is missing, out of bounds, or only the client's MAC once more (RFC 2132, 9.14)."""
    said = dhcp.client_id
    if said is None or not _LEAST_IDENTIFIER <= len(said) <= _MOST_IDENTIFIER or said == _ETHERNET_TYPE + client:
        return None
    return said.hex()


def _own_names(dns: DnsMessage, source: Address | None) -> list[str]:
    """
    Give the names whose addresses are the sender's.

    A responder may answer for others (a sleep proxy does). A name is its own if one of the addresses is the one that
    the packet came from, or if none is of that family, so that nothing contradicts.
    """
    addresses: dict[str, list[Address]] = {}
    for record in dns.records:
        if record.address is not None and record.ttl_s:
            addresses.setdefault(record.name, []).append(record.address)
    return [
        name
        for name, found in addresses.items()
        if source in found or not any(type(address) is type(source) for address in found)
    ]
