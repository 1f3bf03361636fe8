"""
Ethernet on the wire: what a frame really costs, what a link can carry, what a counter of octets hides.

Each frame costs 20 octets beyond itself (preamble, start delimiter, gap). Octet counters don't see them, so a link full of
small frames looks 76 % busy to a counter and is full.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Iterable

# IEEE 802.3 clauses 3 and 4 [octets].
PREAMBLE_BYTES = 8
GAP_BYTES = 12
HEADER_BYTES = 14
CHECK_BYTES = 4
TAG_BYTES = 4
MIN_FRAME_BYTES = 64
MAX_FRAME_BYTES = 1518
MAX_TAGGED_FRAME_BYTES = 1522
SLOT_OVERHEAD_BYTES = PREAMBLE_BYTES + GAP_BYTES
MTU_BYTES = MAX_FRAME_BYTES - HEADER_BYTES - CHECK_BYTES

# RFC 2544 9.1: the frame sizes that a bench tries [octets].
TEST_FRAME_BYTES = (64, 128, 256, 512, 1024, 1280, 1518)

# RFC 5180 Appendix A.1: a clock may run this share fast, so a measured rate may exceed the nominal one.
CLOCK_TOLERANCE = 100e-6

# From memory; velocity factor about 0.67 in copper, index about 1.468 in fibre [s/m].
COPPER_DELAY_S_PER_M = 5.0e-9
FIBRE_DELAY_S_PER_M = 4.9e-9

IPV4_BYTES = 20  # RFC 791 3.1, no options
IPV6_BYTES = 40  # RFC 8200 3
TCP_BYTES = 20  # RFC 9293 3.1, no options
TCP_TIMESTAMPS_BYTES = 12  # RFC 7323 3.2: 10 octets of option, padded to 12
UDP_BYTES = 8  # RFC 768
RTP_BYTES = 12  # RFC 3550 5.1


class Transport(StrEnum):
    """What carries the payload, for the goodput ceiling."""

    TCP_IPV4 = "TCP IPv4, no options"
    TCP_IPV4_TIMESTAMPS = "TCP IPv4, timestamps"
    TCP_IPV6 = "TCP IPv6, no options"
    TCP_IPV6_TIMESTAMPS = "TCP IPv6, timestamps"
    UDP_IPV4 = "UDP IPv4"
    UDP_IPV6 = "UDP IPv6"


_HEADERS: dict[Transport, int] = {
    Transport.TCP_IPV4: IPV4_BYTES + TCP_BYTES,
    Transport.TCP_IPV4_TIMESTAMPS: IPV4_BYTES + TCP_BYTES + TCP_TIMESTAMPS_BYTES,
    Transport.TCP_IPV6: IPV6_BYTES + TCP_BYTES,
    Transport.TCP_IPV6_TIMESTAMPS: IPV6_BYTES + TCP_BYTES + TCP_TIMESTAMPS_BYTES,
    Transport.UDP_IPV4: IPV4_BYTES + UDP_BYTES,
    Transport.UDP_IPV6: IPV6_BYTES + UDP_BYTES,
}


def wire_bytes(packet_bytes: float, *, tagged: bool = False) -> float:
    """
    Octets of line time that one IP packet takes, padding, preamble and gap included.

    Args:      packet_bytes of the IP packet, may be a mean; tagged with one 802.1Q tag.
    Raises:    OutOfRange: a packet that isn't 0 to 9,000 octets (the largest jumbo frame in use).
    Source:    IEEE 802.3 clauses 3 and 4.
    """
    if not 0.0 <= packet_bytes <= 9000.0:
        raise OutOfRange(f"a packet of {packet_bytes:g} octets: write 0 to 9000")
    frame = packet_bytes + HEADER_BYTES + CHECK_BYTES + (TAG_BYTES if tagged else 0)
    return max(frame, MIN_FRAME_BYTES) + SLOT_OVERHEAD_BYTES


def wire_rate_bps(packets_per_s: float, packet_bytes: float, *, tagged: bool = False) -> float:
    """
    Line time that a stream of IP packets takes, as a rate; packets above the MTU go as several frames [bit/s].

    Args:      packets_per_s; packet_bytes of one, may be a mean; tagged with one 802.1Q tag.
    Raises:    OutOfRange: a negative rate or size.
    Source:    IEEE 802.3 clauses 3 and 4.
    """
    if not (packets_per_s >= 0.0 and packet_bytes >= 0.0):
        raise OutOfRange(f"{packets_per_s:g} packets a second of {packet_bytes:g} octets: neither can be negative")
    frames = max(1, math.ceil(packet_bytes / MTU_BYTES))
    return 8.0 * packets_per_s * frames * wire_bytes(packet_bytes / frames, tagged=tagged)


def max_frame_rate(frame_bytes: int, rate_bps: float) -> int:
    """
    Most frames a second on a link, cut to an integer as the RFC prints it [1/s].

    Args:      frame_bytes with FCS, without preamble; rate_bps of the line.
    Raises:    OutOfRange: a frame shorter than 64 octets, a rate that isn't positive.
    Source:    RFC 5180 Appendix A.1: rate / (8 * (size + 20)).
    """
    if frame_bytes < MIN_FRAME_BYTES or rate_bps <= 0.0:
        raise OutOfRange(f"{frame_bytes} octets at {rate_bps:g} bit/s: frames have 64 or more, rates are above 0")
    return int(rate_bps // (8 * (frame_bytes + SLOT_OVERHEAD_BYTES)))


def goodput_share(transport: Transport, *, mtu_bytes: int = MTU_BYTES, tagged: bool = False) -> float:
    """
    Share of the line rate that payload can reach with full-size packets, 0..1.

    Args:      mtu_bytes of the IP packet; tagged with one 802.1Q tag.
    Raises:    OutOfRange: an MTU that leaves no payload.
    Source:    arithmetic on IEEE 802.3 and the RFC header sizes.
    """
    payload = mtu_bytes - _HEADERS[transport]
    if payload <= 0:
        raise OutOfRange(f"an MTU of {mtu_bytes} leaves no room for {transport}")
    return payload / wire_bytes(mtu_bytes, tagged=tagged)


def goodput_bps(rate_bps: float, transport: Transport, *, mtu_bytes: int = MTU_BYTES, tagged: bool = False) -> float:
    """
    Highest payload rate on a link: a pass mark has to lie below this, not at the line rate [bit/s].

    Args:      rate_bps of the line; the rest as `goodput_share`.
    Raises:    OutOfRange: as `goodput_share`.
    Source:    arithmetic on IEEE 802.3 and the RFC header sizes.
    """
    return rate_bps * goodput_share(transport, mtu_bytes=mtu_bytes, tagged=tagged)


def octet_utilisation(octets: float, interval_s: float, rate_bps: float) -> float:
    """
    Utilisation that an octet counter shows (ifHCInOctets: MAC header and FCS, no preamble or gap), 0..1.

    Args:      octets counted in interval_s [s] on a line of rate_bps.
    Raises:    OutOfRange: an interval or a rate that isn't positive.
    Source:    RFC 3635 3.2.
    """
    if interval_s <= 0.0 or rate_bps <= 0.0:
        raise OutOfRange(f"{interval_s:g} s at {rate_bps:g} bit/s: both must be above 0")
    return 8.0 * octets / interval_s / rate_bps


def line_utilisation(octets: float, packets: float, interval_s: float, rate_bps: float) -> float:
    """
    True utilisation of the line: the octets counted and 20 more for each packet, 0..1.

    Args:      octets and packets counted in interval_s [s] on a line of rate_bps.
    Raises:    OutOfRange: an interval or a rate that isn't positive.
    Source:    RFC 3635 3.2; IEEE 802.3 clauses 3 and 4.
    """
    return octet_utilisation(octets + SLOT_OVERHEAD_BYTES * packets, interval_s, rate_bps)


def serialisation_s(bytes_on_wire: float, rate_bps: float) -> float:
    """
    Time to clock so many octets onto a line [s].

    Raises:    OutOfRange: a rate that isn't positive.
    Source:    arithmetic.
    """
    if rate_bps <= 0.0:
        raise OutOfRange(f"a rate of {rate_bps:g} bit/s: write more than 0")
    return 8.0 * bytes_on_wire / rate_bps


def voice_rate_bps(payload_bytes: int, packet_s: float, *, on_wire: bool = True) -> float:
    """
    Rate of one direction of a call over RTP, UDP and IPv4 [bit/s].

    Args:      payload_bytes a packet, packet_s between packets; on_wire counts Ethernet framing, else the IP layer.
    Raises:    OutOfRange: a packet time that isn't positive.
    Source:    arithmetic on RFC 3550, RFC 768, RFC 791 and IEEE 802.3 header sizes.
    """
    if packet_s <= 0.0:
        raise OutOfRange(f"a packet every {packet_s:g} s: write more than 0")
    packet = payload_bytes + RTP_BYTES + UDP_BYTES + IPV4_BYTES
    return 8.0 * (wire_bytes(packet) if on_wire else packet) / packet_s


def oversubscription(access_rates_bps: Iterable[float], uplink_bps: float) -> float:
    """
    Sum of the access rates over the uplink's: how many to one.

    Raises:    OutOfRange: an uplink that isn't positive.
    Source:    arithmetic.
    """
    if uplink_bps <= 0.0:
        raise OutOfRange(f"an uplink of {uplink_bps:g} bit/s: write more than 0")
    return sum(access_rates_bps) / uplink_bps
