"""
Radiotap: what a radio in monitor mode says about a frame it heard, in front of the frame.

Source: the field definitions of radiotap.org (bits, sizes, alignment), which the Linux kernel's parser
(net/wireless/radiotap.c) tabulates in the same way; table from memory, checked against scapy in the tests.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from netaudit.errors import OutOfRange

_HEADER = struct.Struct("<BBHI")  # version, pad, length, first presence word
_FLAGS, _RATE, _CHANNEL, _SIGNAL, _NOISE = 1, 2, 3, 5, 6
_NAMESPACE, _VENDOR, _MORE = 1 << 29, 1 << 30, 1 << 31
# bit -> (alignment, size) [octets], alignment counted from the start of the header
_FIELDS = {
    0: (8, 8),  # TSFT
    1: (1, 1),  # flags
    2: (1, 1),  # rate
    3: (2, 4),  # channel
    4: (2, 2),  # hopping
    5: (1, 1),  # signal, dBm
    6: (1, 1),  # noise, dBm
    7: (2, 2),  # lock quality
    8: (2, 2),  # transmit attenuation
    9: (2, 2),  # transmit attenuation, dB
    10: (1, 1),  # transmit power, dBm
    11: (1, 1),  # antenna
    12: (1, 1),  # signal, dB
    13: (1, 1),  # noise, dB
    14: (2, 2),  # receive flags
    15: (2, 2),  # transmit flags
    16: (1, 1),  # RTS retries
    17: (1, 1),  # data retries
    18: (4, 8),  # extended channel
    19: (1, 3),  # MCS
    20: (4, 8),  # A-MPDU status
    21: (2, 12),  # VHT
    22: (8, 12),  # timestamp
    23: (2, 12),  # HE
    24: (2, 12),  # HE-MU
    25: (2, 6),  # HE-MU other user
    26: (1, 1),  # frame without data
    27: (2, 4),  # L-SIG
}
# Words beyond the first describe one antenna each; a header of eight antennas has nine. More is noise or malice.
_MOST_WORDS = 32

FLAG_FCS_AT_END, FLAG_BAD_FCS = 0x10, 0x40


@dataclass(frozen=True, slots=True)
class Radiotap:
    """
    One radiotap header; a field that the radio did not give is None.

    `length` is the size of the header [octets]: the 802.11 frame starts there. With several antennas the signal is that
    of the radio as a whole, which comes first.
    """

    length: int
    flags: int
    fcs_at_end: bool
    bad_fcs: bool
    rate_bps: float | None
    channel_mhz: int | None
    signal_dbm: int | None
    noise_dbm: int | None


def decode_radiotap(data: bytes) -> Radiotap | None:
    """
    Read the radiotap header of a frame; None when it isn't one or isn't all there. Never raises.

    Fields behind one that we don't know have no known place and are left out; the frame is found all the same.
    """
    if len(data) < _HEADER.size:
        return None
    version, _pad, length, word = _HEADER.unpack_from(data)
    if version != 0 or not _HEADER.size <= length <= len(data):
        return None
    words = [word]
    at = _HEADER.size
    while word & _MORE:
        if at + 4 > length or len(words) >= _MOST_WORDS:
            return None
        word = int.from_bytes(data[at : at + 4], "little")
        words.append(word)
        at += 4
    places = _places(data, length, words, at)
    flags = data[places[_FLAGS]] if _FLAGS in places else 0
    rate = data[places[_RATE]] if _RATE in places else 0
    channel = places.get(_CHANNEL)
    return Radiotap(
        length=length,
        flags=flags,
        fcs_at_end=bool(flags & FLAG_FCS_AT_END),
        bad_fcs=bool(flags & FLAG_BAD_FCS),
        rate_bps=rate * 500e3 or None,
        channel_mhz=None if channel is None else data[channel] | data[channel + 1] << 8,
        signal_dbm=_signed(data, places.get(_SIGNAL)),
        noise_dbm=_signed(data, places.get(_NOISE)),
    )


def _places(data: bytes, length: int, words: list[int], at: int) -> dict[int, int]:
    """Find where the fields of the radiotap namespace start; the first one of a kind is the radio as a whole."""
    places: dict[int, int] = {}
    ours = True
    for word in words:
        if ours:
            for bit in range(29):
                if not word >> bit & 1:
                    continue
                if bit not in _FIELDS:
                    return places
                alignment, size = _FIELDS[bit]
                at = -(-at // alignment) * alignment
                if at + size > length:
                    return places
                places.setdefault(bit, at)
                at += size
        if word & _VENDOR:
            # Three octets of OUI, one of a sub-namespace, then how much to skip, which covers all the words up to the
            # next change of namespace.
            at += at % 2
            if at + 6 > length:
                return places
            at += 6 + (data[at + 4] | data[at + 5] << 8)
            ours = False
        elif word & _NAMESPACE:
            ours = True
        elif ours:
            break  # the bits of the next word, if there is one, are numbers 32 and up, and nobody has defined those
    return places


def _signed(data: bytes, at: int | None) -> int | None:
    """Read one octet as a signed number."""
    return None if at is None else int.from_bytes(data[at : at + 1], "little", signed=True)


def encode_radiotap(channel_mhz: int, signal_dbm: int, *, fcs_at_end: bool = False) -> bytes:
    """
    Write a radiotap header with flags, channel and signal.

    Raises:    OutOfRange: a channel over 16 bits or a signal over 8.
    """
    if not 0 < channel_mhz <= 0xFFFF or not -128 <= signal_dbm <= 127:
        raise OutOfRange(f"no radiotap header says {channel_mhz} MHz and {signal_dbm} dBm")
    present = 1 << _FLAGS | 1 << _CHANNEL | 1 << _SIGNAL
    is_2_4_ghz = channel_mhz < 3000
    channel_flags = 0x0480 if is_2_4_ghz else 0x0140  # dynamic CCK and OFDM in 2.4 GHz, OFDM in 5 GHz
    body = struct.pack("<BxHHb", FLAG_FCS_AT_END if fcs_at_end else 0, channel_mhz, channel_flags, signal_dbm)
    return _HEADER.pack(0, 0, _HEADER.size + len(body), present) + body
