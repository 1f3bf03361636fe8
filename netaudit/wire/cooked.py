"""
Linux cooked captures, versions 1 and 2: what a capture on "any interface" writes instead of the link header.

Source: the link-type descriptions of the pcap format, LINKTYPE_LINUX_SLL (113) and LINKTYPE_LINUX_SLL2 (276).
"""

from __future__ import annotations

import struct

from netaudit.wire.ethernet import SMALLEST_TYPE, Link, untag

_V1 = struct.Struct("!HHH8sH")
_V2 = struct.Struct("!HHIHBB8s")
_OUTGOING = 4
_LLC = 0x0004


def decode_cooked(frame: bytes) -> Link | None:
    """Read a frame of a cooked capture, version 1; None if it is cut inside its header. Never raises."""
    if len(frame) < _V1.size:
        return None
    packet_type, _, size, address, protocol = _V1.unpack_from(frame)
    return _link(packet_type, size, address, protocol, frame[_V1.size :])


def decode_cooked2(frame: bytes) -> Link | None:
    """Read a frame of a cooked capture, version 2; None if it is cut inside its header. Never raises."""
    if len(frame) < _V2.size:
        return None
    protocol, _, _, _, packet_type, size, address = _V2.unpack_from(frame)
    return _link(packet_type, size, address, protocol, frame[_V2.size :])


def _link(packet_type: int, size: int, address: bytes, protocol: int, payload: bytes) -> Link | None:
    source = address[:6] if size == 6 else None
    outgoing = packet_type == _OUTGOING
    if protocol >= SMALLEST_TYPE:
        return untag(source, None, protocol, payload, outgoing=outgoing)
    if protocol == _LLC:
        # The length field is gone: what follows is LLC to the end of the frame.
        return untag(source, None, min(len(payload), 1500), payload, outgoing=outgoing)
    return Link(source, None, None, payload, (), outgoing)
