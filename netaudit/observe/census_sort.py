"""
The hot path of the census: which of the frames need decoding?

Most frames of a capture are traffic between the same few pairs of hosts, and say nothing new about who is there. So
frames are grouped into flows by their first 14 bytes (target, source, type), and a flow is decided on once: only count,
or look at the ports, or decode. What is decoded is remembered by its bytes, so the same question asked a thousand times
is decoded once and counted a thousand times. `settle` brings the counts into the census.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.observe.census import MOST_SEGMENTS, Census
from netaudit.observe.census_message import ARP, LLDP, PORTS, RARP, is_near, read_message
from netaudit.observe.observation import How
from netaudit.wire import icmpv6, ipv4, ipv6, link
from netaudit.wire.dot11 import decode_dot11
from netaudit.wire.ethernet import TAGS, decode_ethernet
from netaudit.wire.ppi import decode_ppi
from netaudit.wire.radiotap import decode_radiotap

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.observe.bounded import Span
    from netaudit.observe.census_message import Message
    from netaudit.wire.ethernet import Link
    from netaudit.wire.record import Interface, Record

# What to do with the frames of a flow.
_COUNT, _IPV4_UNICAST, _IPV4_GROUP, _IPV6, _ARP, _TAGGED, _WHOLE = range(7)

# Flows are kept only for speed: beyond this many they are settled and started anew. A site of 250 devices has about a
# thousand; 8,192 cost some 4 MB.
_MOST_FLOWS = 8_192
# A small census has few flows too: a flood makes one a device, and each full table goes through all of them.
_FLOWS_A_DEVICE = 4
# The same for remembered messages, by their bytes: 4 MB hold the chatter of some minutes.
_MOST_REMEMBERED = 4_000_000
_OVERHEAD = 200  # what a remembered message costs beside its bytes and body (common practice, no source)
# One sender's forged source addresses would grow its flow without end; a host has a handful.
_MOST_SOURCES = 64

_PORT_BYTES = frozenset(port.to_bytes(2, "big") for port in PORTS)
_BROADCAST = b"\xff" * 6
_UDP_BYTE = bytes((ipv4.UDP,))
_FIRST_ND, _LAST_ND = icmpv6.ROUTER_SOLICITATION, icmpv6.NEIGHBOUR_ADVERTISEMENT
# IPv6 headers that may stand before UDP or ICMPv6: these packets are decoded as a whole.
_EXTENSIONS = frozenset((ipv6.HOP_BY_HOP, ipv6.ROUTING, ipv6.FRAGMENT, ipv6.AUTHENTICATION, ipv6.DESTINATION))

UNTAGGED = "untagged"


class _Repeat:
    """A message that was decoded, how often its bytes came again, and from when to when they were heard."""

    __slots__ = ("count", "first_ns", "last_ns", "message", "opened_ns")

    def __init__(self, message: Message | None, at_ns: int) -> None:
        self.message = message
        self.count = 0
        self.opened_ns = self.first_ns = self.last_ns = at_ns

    def again(self, at_ns: int) -> None:
        self.count += 1
        if at_ns > self.last_ns:
            self.last_ns = at_ns
        elif at_ns < self.first_ns:
            self.first_ns = at_ns


class _Flow:
    """The frames with one target, source and type (and, below a tag, one VLAN)."""

    __slots__ = (
        "base", "ethertype", "first_ns", "frames", "inner", "is_inner", "last_ns", "look", "octets", "repeats", "segment", "source",
        "sources", "whom",
    )  # fmt: skip

    def __init__(self, source: bytes | None, whom: str, segment: str, at_ns: int) -> None:
        self.frames = 0
        self.octets = 0
        self.first_ns = self.last_ns = at_ns
        self.look = _COUNT
        self.base = 14
        self.ethertype: int | None = None
        self.source = source
        self.whom = whom
        self.segment = segment
        self.repeats: dict[bytes, _Repeat] = {}
        self.sources: dict[bytes, Span | None] | None = None if whom == "unicast" else {}
        self.inner: dict[bytes, _Flow] | None = None
        self.is_inner = False


class FrameSorter:
    """
    Feeds frames to a census.

    `segment` names the segment that untagged frames belong to. After the last `take`, call `settle`: only then are all
    counts in the census.
    """

    def __init__(self, census: Census, segment: str = UNTAGGED) -> None:
        self._census = census
        self._segment = segment
        self._flows: dict[bytes, _Flow] = {}
        self._flow_count = 0
        self._remembered = 0
        self._is_bringing_in = False
        self._most_flows = min(_MOST_FLOWS, _FLOWS_A_DEVICE * census.limits.devices)
        census.before_forgetting = self._bring_in

    def take(self, records: Iterable[Record]) -> None:
        """
        Take in frames, in any number.

        Frames of a link type without decoder are only counted, as unreadable.
        """
        flows, ports, udp = self._flows, _PORT_BYTES, _UDP_BYTE
        ethernet: Interface | None = None
        for at_ns, length, data, interface in records:
            if interface is not ethernet:
                if interface.linktype != link.ETHERNET:
                    self._other_lane(data, length, at_ns, interface)
                    continue
                ethernet = interface
            flow = flows.get(data[:14])
            if flow is None:
                flow = self._open(data, at_ns)
            flow.frames += 1
            flow.octets += length
            if at_ns > flow.last_ns:
                flow.last_ns = at_ns
            elif at_ns < flow.first_ns:
                flow.first_ns = at_ns
            look = flow.look
            # What makes up most of any capture leaves here: types that tell nothing, and IPv4 between two hosts that is
            # not UDP, or UDP (behind a plain header of 20 octets) between ports that tell nothing.
            if look == _COUNT:
                continue
            if look == _IPV4_UNICAST:
                if data[23:24] != udp:
                    continue
                if data[14] == 0x45 and data[34:36] not in ports and data[36:38] not in ports:
                    continue
            self._look(flow, data, length, at_ns)

    def settle(self) -> None:
        """Bring what was counted into the census, and forget the flows."""
        self._bring_in()
        for flow in self._flows.values():
            self._settle(flow)
        self._flows.clear()
        self._flow_count = 0

    def _settle(self, flow: _Flow) -> None:
        census = self._census
        if flow.inner is None:
            tally = census.tally(flow.segment)
            tally.frames[flow.whom] += flow.frames
            tally.octets[flow.whom] += flow.octets
        for inner in (flow.inner or {}).values():
            self._settle(inner)
        if flow.is_inner or not flow.frames:
            return
        census.heard.hear(flow.first_ns, flow.frames)
        census.heard.hear(flow.last_ns, 0)
        device = None if flow.source is None else census.devices.get(flow.source)
        if device is None:
            return
        # The device was entered, and its first frame counted, when the flow was opened.
        device.hear(flow.first_ns, 0)
        device.hear(flow.last_ns, flow.frames)
        device.octets += flow.octets
        if flow.whom == "broadcast":
            device.broadcast += flow.frames
        elif flow.whom == "multicast":
            device.multicast += flow.frames

    def _other_lane(self, data: bytes, length: int, at_ns: int, interface: Interface) -> None:
        """Take in a frame that is not Ethernet."""
        self._census.heard.hear(at_ns)
        if interface.linktype in link.AIR:
            self._air(data, length, at_ns, interface)
        elif interface.linktype in link.DECODERS:
            self._other(data, length, at_ns, interface)
        else:
            self._census.unreadable[link.link_name(interface.linktype)] += 1

    def _open(self, data: bytes, at_ns: int) -> _Flow:
        """Start a flow with its first frame: decide what to do with its frames."""
        if self._flow_count >= self._most_flows:
            self.settle()
        self._flow_count += 1
        frame = decode_ethernet(data)
        if frame is None or frame.target is None or frame.source is None:
            # Cut inside its header, or inside a tag: then the next frame of this flow may still be whole.
            flow = _Flow(data[6:12] if len(data) >= 14 else None, _whom(data[:6]), self._segment, at_ns)
            if int.from_bytes(data[12:14], "big") in TAGS:
                flow.look, flow.inner = _TAGGED, {}
            else:
                flow.look = _WHOLE
        else:
            flow = _Flow(frame.source, _whom(frame.target), self._segment, at_ns)
            if frame.vlans:
                flow.look, flow.inner = _TAGGED, {}
            else:
                _decide(flow, frame, data[12:14])
        if flow.source is not None:
            self._enter(flow.source, at_ns)
        self._flows[data[:14]] = flow
        return flow

    def _segment_of(self, vlans: tuple[int, ...]) -> str:
        """Name the segment of a frame by its outermost tag; VLAN 0 is no VLAN but a priority (IEEE 802.1Q, 9.6)."""
        return f"vlan {vlans[0]}" if vlans and vlans[0] else self._segment

    def _enter(self, mac: bytes, at_ns: int) -> None:
        device = self._census.devices.hear(mac, at_ns, 0)
        if len(device.segments) < MOST_SEGMENTS:
            device.segments.add(self._segment)

    def _open_tagged(self, outer: _Flow, data: bytes, at_ns: int) -> _Flow:
        """Start the flow of one VLAN below a flow of tagged frames."""
        if self._flow_count >= self._most_flows and outer.inner is not None:
            self._bring_in()
            for old in outer.inner.values():
                self._settle(old)
            self._flow_count -= len(outer.inner)
            outer.inner.clear()
        frame = decode_ethernet(data)
        if frame is not None:
            key, vlans = data[14:18], frame.vlans
        elif len(data) >= 18:  # cut inside an inner tag
            key, vlans = data[14:18], (int.from_bytes(data[14:16], "big") & 0x0FFF,)
        else:  # cut inside the outermost: all of these share one flow, as nobody knows what the next one will be
            key, vlans = b"", ()
            known = None if outer.inner is None else outer.inner.get(key)
            if known is not None:
                return known
        segment = self._segment_of(vlans)
        flow = _Flow(outer.source, outer.whom, segment, at_ns)
        flow.is_inner = True
        flow.base = 18
        if frame is None or len(vlans) > 1:
            flow.look = _WHOLE
        else:
            _decide(flow, frame, data[16:18])
        self._census.vlans.update(vlans)
        device = None if outer.source is None else self._census.devices.get(outer.source)
        if device is not None:
            device.segments.discard(self._segment)
            if len(device.segments) < MOST_SEGMENTS:
                device.segments.add(segment)
        if outer.inner is not None:
            outer.inner[key] = flow
        self._flow_count += 1
        return flow

    def _look(self, flow: _Flow, data: bytes, length: int, at_ns: int) -> None:
        """Handle a frame that may have to be decoded: unless the same bytes came before."""
        if flow.inner is not None:
            outer = flow
            inner = flow.inner.get(data[14:18])
            flow = self._open_tagged(outer, data, at_ns) if inner is None else inner
            flow.frames += 1
            flow.octets += length
            flow.last_ns = at_ns
        if flow.look == _WHOLE:
            self._read(decode_ethernet(data), flow.source, flow.segment, at_ns)
            return
        try:
            key = _telling(flow, data)
        except IndexError:  # cut inside its headers: counted, but there is nothing to read
            return
        if key is None:
            if flow.sources is not None and flow.look == _IPV4_GROUP:
                self._source(flow, flow.sources, data, at_ns)
            return
        repeat = flow.repeats.get(key)
        if repeat is not None:
            repeat.again(at_ns)
            return
        message = read_message(flow.ethertype, data[flow.base :], data[:6])
        if message is not None:
            self._census.apply(message, flow.source, flow.segment, at_ns)
            if message.protocol == "dhcp":
                return  # each has its own transaction number: none comes twice
        if self._remembered >= _MOST_REMEMBERED:
            self._bring_in()
        self._remembered += len(key) + _OVERHEAD
        flow.repeats[key] = _Repeat(message, at_ns)

    def _bring_in(self) -> None:
        """Bring in when devices were heard last, and what came again; the flows themselves stay."""
        if self._is_bringing_in:  # what is brought in may find its table full in turn
            return
        self._is_bringing_in = True
        waiting = list(self._flows.values())
        for flow in waiting:
            device = None if flow.source is None else self._census.devices.get(flow.source)
            if device is not None:
                device.hear(flow.last_ns, 0)
        while waiting:
            flow = waiting.pop()
            waiting.extend((flow.inner or {}).values())
            self._repeat(flow)
            flow.repeats.clear()
        self._remembered = 0
        self._is_bringing_in = False

    def _repeat(self, flow: _Flow) -> None:
        """Bring what came again in one flow into the census."""
        for repeat in flow.repeats.values():
            message = repeat.message
            if not repeat.count or message is None:
                continue
            self._census.apply(message, flow.source, flow.segment, repeat.last_ns, repeat.count)
            if repeat.first_ns < repeat.opened_ns:  # frames, or files, out of order
                self._census.apply(message, flow.source, flow.segment, repeat.first_ns, 0)

    def _source(self, flow: _Flow, sources: dict[bytes, Span | None], data: bytes, at_ns: int) -> None:
        """Note the address from which a packet to a group came, if its sender must be here."""
        packed = data[flow.base + 12 : flow.base + 16]
        if packed in sources:
            span = sources[packed]
            if span is not None:
                span.hear(at_ns)
            return
        packet = ipv4.decode_ipv4(data[flow.base :])
        if packet is None or len(sources) >= _MOST_SOURCES:
            return
        near = is_near(packet.target, data[:6]) and packed != b"\0\0\0\0"
        sources[packed] = (
            self._census.addresses.hear((flow.source, packed, How.HEARD), at_ns)
            if near and flow.source is not None
            else None
        )

    def _read(self, frame: Link | None, source: bytes | None, segment: str, at_ns: int) -> None:
        """Decode one frame from its link header on and take in what it says."""
        if frame is None:
            self._census.unreadable["link header"] += 1
            return
        self._census.vlans.update(frame.vlans)
        message = read_message(frame.ethertype, frame.payload, frame.target)
        if message is not None:
            self._census.apply(message, source, segment, at_ns)

    def _other(self, data: bytes, length: int, at_ns: int, interface: Interface) -> None:
        """Take in a frame of a link layer that is neither Ethernet nor radio."""
        census = self._census
        frame = link.DECODERS[interface.linktype](data)
        segment = self._segment if frame is None else self._segment_of(frame.vlans)
        tally = census.tally(segment)
        tally.frames["unknown"] += 1
        tally.octets["unknown"] += length
        source = None if frame is None else frame.source
        if source is not None:
            device = census.devices.hear(source, at_ns)
            device.octets += length
            device.is_here |= frame is not None and frame.outgoing
            if len(device.segments) < MOST_SEGMENTS:
                device.segments.add(segment)
        self._read(frame, source, segment, at_ns)

    def _air(self, data: bytes, length: int, at_ns: int, interface: Interface) -> None:
        """Take in an 802.11 frame, bare or behind a header of its own."""
        census = self._census
        start, fcs, signal_dbm = 0, interface.fcs, None
        if interface.linktype == link.RADIOTAP:
            header = decode_radiotap(data)
            if header is None:
                census.unreadable["radiotap"] += 1
                return
            if header.bad_fcs:
                census.unreadable["802.11 with a wrong check sequence"] += 1
                return
            start, fcs, signal_dbm = header.length, header.fcs_at_end, header.signal_dbm
        elif interface.linktype == link.PPI:
            info = decode_ppi(data)
            if info is None or info.linktype != link.BARE_DOT11:
                census.unreadable["per-packet information"] += 1
                return
            if info.bad_fcs:
                census.unreadable["802.11 with a wrong check sequence"] += 1
                return
            start, fcs = info.length, info.fcs_at_end
        # A frame that was cut has lost its check sequence with its end.
        frame = decode_dot11(data[start:], False if len(data) < length else fcs)
        if frame is None:
            census.unreadable["802.11"] += 1
            return
        census.apply_radio(frame, at_ns, length - start, signal_dbm)


def _whom(target: bytes) -> str:
    """Say for whom a frame is, by its target address."""
    if target == _BROADCAST:
        return "broadcast"
    return "multicast" if target[:1] and target[0] & 1 else "unicast"


def _decide(flow: _Flow, frame: Link, field: bytes) -> None:
    """Decide on a flow by the type of its first frame; `field` is the type or length as it stands in the frame."""
    ethertype = flow.ethertype = frame.ethertype
    if int.from_bytes(field, "big") != ethertype:
        # LLC: the length stands where the type is otherwise, so the next frame of this flow may carry anything.
        flow.look = _WHOLE
    elif ethertype == ipv4.ETHERTYPE:
        flow.look = _IPV4_UNICAST if flow.whom == "unicast" and flow.base == 14 else _IPV4_GROUP
    elif ethertype == ipv6.ETHERTYPE:
        flow.look = _IPV6
    elif ethertype == ARP:
        flow.look = _ARP
    elif ethertype in (LLDP, RARP):
        flow.look = _WHOLE


def _telling(flow: _Flow, data: bytes) -> bytes | None:
    """
    Give the bytes of a frame that decide what it tells, None if it tells nothing.

    Raises:    IndexError: the frame is cut inside its headers.
    """
    base = flow.base
    look = flow.look
    if look == _ARP:
        return data[base:]
    if look == _IPV6:
        protocol = data[base + 6]
        if protocol == ipv6.UDP:
            told = data[base + 40 : base + 42] in _PORT_BYTES or data[base + 42 : base + 44] in _PORT_BYTES
        elif protocol == ipv6.ICMPV6:
            told = _FIRST_ND <= data[base + 40] <= _LAST_ND
        else:
            told = protocol in _EXTENSIONS
        # From the payload length on: what stands before are traffic class and flow label.
        return data[base + 4 :] if told else None
    if data[base + 9] != ipv4.UDP:
        return None
    start = base + (data[base] & 0x0F) * 4
    if data[start : start + 2] in _PORT_BYTES or data[start + 2 : start + 4] in _PORT_BYTES:
        # From the source address on: what stands before are identification, time to live and checksum.
        return data[base + 12 :]
    return None
