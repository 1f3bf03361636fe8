"""
Ethernet II and IEEE 802.3 frames with their tags, and LLC/SNAP behind a length field.

Sources: IEEE 802.3, 3.2.6 (length or type), IEEE 802.1Q, 9 (tags), RFC 1042 and IEEE 802.1H (SNAP).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

# C-VLAN tag, S-VLAN tag, and the EtherTypes that stacked tags had before 802.1ad settled on 0x88a8.
TAGS = frozenset((0x8100, 0x88A8, 0x9100, 0x9200))
# IEEE 802.3, 3.2.6: up to here the field is a length, from 0x0600 on a type; nothing may stand between.
LONGEST_LENGTH = 1500
SMALLEST_TYPE = 0x0600
# IEEE 802.3, 3.2.8: a frame has at least 60 octets before its check sequence; the kernel doesn't pad raw sockets' frames.
_SHORTEST_FRAME = 60
# Two tags are what 802.1ad knows. More is an odd or hostile frame: each tag costs its sender only 4 octets.
_MOST_TAGS = 4
# 00:00:00 is RFC 1042's encapsulated Ethernet, 00:00:f8 the bridge tunnel of IEEE 802.1H; both carry an EtherType.
_ETHERTYPE_OUIS = (b"\x00\x00\x00", b"\x00\x00\xf8")
_SNAP = b"\xaa\xaa\x03"

_HEADER = struct.Struct("!6s6sH")
_TAG = struct.Struct("!HH")


@dataclass(frozen=True, slots=True)
class Link:
    """
    What the link layer says of one frame, whatever that layer was.

    `source` and `target` are None where the layer has no such field. `ethertype` is None for LLC without an EtherType
    (spanning tree, some discovery protocols). `vlans` are the VLAN ids from the outermost tag inwards; 0 is a tag that
    carries a priority only. `outgoing` says that the capturing machine itself sent the frame.
    """

    source: bytes | None
    target: bytes | None
    ethertype: int | None
    payload: bytes
    vlans: tuple[int, ...] = ()
    outgoing: bool = False


def decode_ethernet(frame: bytes) -> Link | None:
    """Read an Ethernet frame without its check sequence; None if it is cut inside its header. Never raises."""
    if len(frame) < _HEADER.size:
        return None
    target, source, ethertype = _HEADER.unpack_from(frame)
    return untag(source, target, ethertype, frame[_HEADER.size :])


def untag(
    source: bytes | None, target: bytes | None, ethertype: int, payload: bytes, *, outgoing: bool = False
) -> Link | None:
    """
    Go through the tags and the LLC/SNAP header that `ethertype` may announce; None if cut inside of them.

    This is what Ethernet and the cooked captures have in common: from the type field on they are the same.
    """
    vlans: tuple[int, ...] = ()
    while ethertype in TAGS:
        if len(payload) < _TAG.size or len(vlans) == _MOST_TAGS:
            return None
        control, ethertype = _TAG.unpack_from(payload)
        vlans += (control & 0x0FFF,)
        payload = payload[_TAG.size :]
    if ethertype > LONGEST_LENGTH:
        return Link(source, target, ethertype, payload, vlans, outgoing)
    inner = snap_ethertype(payload)
    if inner is None:
        return Link(source, target, None, payload[:ethertype], vlans, outgoing)
    return Link(source, target, inner, payload[8:ethertype], vlans, outgoing)


def snap_ethertype(llc: bytes) -> int | None:
    """Give the EtherType of a SNAP header; None for any other LLC frame, or one of a maker's own protocols."""
    if len(llc) < 8 or llc[:3] != _SNAP or llc[3:6] not in _ETHERTYPE_OUIS:
        return None
    ethertype = int.from_bytes(llc[6:8], "big")
    return ethertype if ethertype >= SMALLEST_TYPE else None


def encode_ethernet(target: bytes, source: bytes, ethertype: int, payload: bytes, *, vlan: int | None = None) -> bytes:
    """Give an Ethernet II frame, padded to the shortest length allowed; `vlan` puts one 802.1Q tag before the type."""
    tag = b"" if vlan is None else _TAG.pack(0x8100, vlan & 0x0FFF)
    return (target + source + tag + struct.pack("!H", ethertype) + payload).ljust(_SHORTEST_FRAME, b"\0")


def mac_text(mac: bytes) -> str:
    """Write a hardware address the way the whole program does: lower case, with colons."""
    return mac.hex(":")
