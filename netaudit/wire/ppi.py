"""
Per-packet information (link type 192): a small header that names the link type of the frame behind it.

Source: the CACE PPI header specification 1.0.10, from memory: all fields little endian; field 2 is 802.11 common.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

_HEAD = struct.Struct("<BBHI")
_FIELD = struct.Struct("<HH")
_COMMON = 2
_FCS_AT_END, _BAD_FCS = 0x0001, 0x0004


@dataclass(frozen=True, slots=True)
class Ppi:
    """Where the frame begins, what it is, and what the header says of its check sequence (None: nothing)."""

    length: int
    linktype: int
    fcs_at_end: bool | None
    bad_fcs: bool


def decode_ppi(data: bytes) -> Ppi | None:
    """Read the header at the front of a captured frame; None if it is cut short or of another version. Never raises."""
    if len(data) < _HEAD.size:
        return None
    version, _, length, linktype = _HEAD.unpack_from(data)
    if version != 0 or not _HEAD.size <= length <= len(data):
        return None
    fcs: bool | None = None
    bad = False
    at = _HEAD.size
    while at + _FIELD.size <= length:
        kind, size = _FIELD.unpack_from(data, at)
        at += _FIELD.size
        # The common field: eight octets of time, then the flags.
        if kind == _COMMON and size >= 10 and at + 10 <= length:
            flags = int.from_bytes(data[at + 8 : at + 10], "little")
            fcs, bad = bool(flags & _FCS_AT_END), bool(flags & _BAD_FCS)
        at += size
    return Ppi(length, linktype, fcs, bad)
