"""
Ethernet on the wire: what a frame really costs, what a stream takes of a link, what links share.

Each frame costs 20 octets beyond itself (preamble, start delimiter, gap). Octet counters don't see them, so a link full of
small frames looks 76 % busy to a counter and is full.
"""

from __future__ import annotations

import math
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
SLOT_OVERHEAD_BYTES = PREAMBLE_BYTES + GAP_BYTES
MTU_BYTES = MAX_FRAME_BYTES - HEADER_BYTES - CHECK_BYTES


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


def oversubscription(access_rates_bps: Iterable[float], uplink_bps: float) -> float:
    """
    Sum of the access rates over the uplink's: how many to one.

    Raises:    OutOfRange: an uplink that isn't positive.
    Source:    arithmetic.
    """
    if uplink_bps <= 0.0:
        raise OutOfRange(f"an uplink of {uplink_bps:g} bit/s: write more than 0")
    return sum(access_rates_bps) / uplink_bps
