"""
802.11 frames: who is on the air, and what its beacons say.

Source: IEEE 802.11-2020 clause 9.2 (frame control, address fields), 9.3.1 (control frames), 9.3.3 (management frames).
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from netaudit.errors import OutOfRange
from netaudit.wire.elements import BssLoad, Elements, decode_elements, encode_beacon_elements

MANAGEMENT, CONTROL, DATA, EXTENSION = range(4)
ASSOCIATION_REQUEST, ASSOCIATION_RESPONSE, REASSOCIATION_REQUEST, REASSOCIATION_RESPONSE = range(4)
PROBE_REQUEST, PROBE_RESPONSE, BEACON = 4, 5, 8

# Control subtypes whose second address is the transmitter: trigger, beamforming poll, NDP announcement, block ack
# request, block ack, PS-Poll, RTS. Acknowledgement and CTS have no second address; that of the two CF-Ends is a BSSID.
_CONTROL_WITH_TRANSMITTER = frozenset({2, 4, 5, 8, 9, 10, 11})
_PS_POLL = 10
_CF_ENDS = frozenset({14, 15})
# Management subtype -> octets of fixed fields before the elements.
_FIXED = {
    ASSOCIATION_REQUEST: 4,
    ASSOCIATION_RESPONSE: 6,
    REASSOCIATION_REQUEST: 10,
    REASSOCIATION_RESPONSE: 6,
    PROBE_REQUEST: 0,
    PROBE_RESPONSE: 12,
    BEACON: 12,
}
# Where among the fixed fields the capability information stands.
_CAPABILITY_AT = {
    ASSOCIATION_REQUEST: 0,
    ASSOCIATION_RESPONSE: 0,
    REASSOCIATION_REQUEST: 0,
    REASSOCIATION_RESPONSE: 0,
    PROBE_RESPONSE: 10,
    BEACON: 10,
}
_TO_DS, _FROM_DS, _RETRY, _PROTECTED, _ORDER = 0x01, 0x02, 0x08, 0x40, 0x80
_SHORT, _LONG = 10, 24  # a control frame of one address; three addresses and a sequence number
_HT_CONTROL = 4
_BROADCAST = b"\xff" * 6


@dataclass(frozen=True, slots=True)
class Dot11:
    """
    One 802.11 frame; addresses are None where the frame has none.

    `addr2` is the transmitter and None in frames that don't name one, the CF-End among them, whose second address is a
    BSSID. `bssid` is None where the frame doesn't belong to one BSS. `elements` is there in beacons, probe and
    (re)association frames that reach so far. `damaged` says that the check sequence doesn't fit: any octet may be wrong.
    """

    type: int
    subtype: int
    retry: bool
    protected: bool
    addr1: str | None = None
    addr2: str | None = None
    addr3: str | None = None
    bssid: str | None = None
    capability: int | None = None
    beacon_interval_tu: int | None = None
    elements: Elements | None = None
    damaged: bool = False

    @property
    def is_beacon(self) -> bool:
        """A beacon."""
        return (self.type, self.subtype) == (MANAGEMENT, BEACON)

    @property
    def is_probe_response(self) -> bool:
        """A probe response, which says what a beacon says."""
        return (self.type, self.subtype) == (MANAGEMENT, PROBE_RESPONSE)

    @property
    def ssid(self) -> str | None:
        """The name of the network; None when the frame has none or hides it."""
        return self.elements.name if self.elements else None

    @property
    def channel(self) -> int | None:
        """The primary channel that the elements name."""
        return self.elements.channel if self.elements else None

    @property
    def bss_load(self) -> BssLoad | None:
        """The BSS Load of the access point."""
        return self.elements.bss_load if self.elements else None


def decode_dot11(frame: bytes, fcs: bool | None) -> Dot11 | None:  # noqa: FBT001 - one of three states, not a switch
    """
    Read an 802.11 frame; None when it is cut before its first address, of another protocol version, or damaged.

    `fcs` says whether four octets of check sequence follow. None means that nobody knows, as with link type 105: they
    are taken for one if they fit. A frame that was cut when captured has none left, so say False.

    A check sequence that doesn't fit makes the frame worthless, with one exception: a beacon or probe response that
    names its sender twice, the same both times, is given and marked `damaged`. Never raises.
    """
    damaged = False
    if fcs is not False and len(frame) >= _SHORT + 4:
        fits = zlib.crc32(frame[:-4]) == int.from_bytes(frame[-4:], "little")
        damaged = bool(fcs) and not fits
        if fcs or fits:
            frame = frame[:-4]
    elif fcs:
        return None
    if len(frame) < _SHORT or frame[0] & 3 or (damaged and not _names_itself(frame)):
        return None
    kind, subtype, flags = frame[0] >> 2 & 3, frame[0] >> 4, frame[1]
    if kind == CONTROL:
        return _control(frame, subtype, flags)
    if kind == EXTENSION:
        return _bare(kind, subtype, flags)
    if len(frame) < _LONG:
        return _bare(kind, subtype, flags)
    addr1, addr2, addr3 = (frame[at : at + 6].hex(":") for at in (4, 10, 16))
    elements: Elements | None = None
    capability: int | None = None
    interval_tu: int | None = None
    if kind == DATA:
        bssid = (addr3, addr1, addr2, None)[flags & (_TO_DS | _FROM_DS)]
    else:
        bssid = addr3 if frame[16:22] != _BROADCAST else None
        body = frame[_LONG + (_HT_CONTROL if flags & _ORDER else 0) :]
        fixed = _FIXED.get(subtype)
        if fixed is not None and len(body) >= fixed and not flags & _PROTECTED:
            elements = decode_elements(body[fixed:])
            at = _CAPABILITY_AT.get(subtype)
            if at is not None:
                capability = body[at] | body[at + 1] << 8
            if subtype in (BEACON, PROBE_RESPONSE):
                interval_tu = body[8] | body[9] << 8
    return Dot11(
        type=kind,
        subtype=subtype,
        retry=bool(flags & _RETRY),
        protected=bool(flags & _PROTECTED),
        addr1=addr1,
        addr2=addr2,
        addr3=addr3,
        bssid=bssid,
        capability=capability,
        beacon_interval_tu=interval_tu,
        elements=elements,
        damaged=damaged,
    )


def _names_itself(frame: bytes) -> bool:
    """Tell whether this is a beacon or probe response whose transmitter and BSSID are one and the same station."""
    is_advert = frame[0] in (BEACON << 4 | MANAGEMENT << 2, PROBE_RESPONSE << 4 | MANAGEMENT << 2)
    return is_advert and len(frame) >= _LONG and frame[10:16] == frame[16:22] and not frame[10] & 1


def _control(frame: bytes, subtype: int, flags: int) -> Dot11:
    """Read a control frame: a receiver, and by its subtype a transmitter or a BSSID, if it was captured so far."""
    receiver = frame[4:10].hex(":")
    second = frame[10:16].hex(":") if len(frame) >= 16 else None
    bssid = None
    if subtype in _CF_ENDS:
        bssid = second
    elif subtype == _PS_POLL:
        bssid = receiver
    return Dot11(
        type=CONTROL,
        subtype=subtype,
        retry=bool(flags & _RETRY),
        protected=bool(flags & _PROTECTED),
        addr1=receiver,
        addr2=second if subtype in _CONTROL_WITH_TRANSMITTER else None,
        bssid=bssid,
    )


def _bare(kind: int, subtype: int, flags: int) -> Dot11:
    """Give a frame without its addresses: cut short, or of the extension type that we don't read."""
    return Dot11(type=kind, subtype=subtype, retry=bool(flags & _RETRY), protected=bool(flags & _PROTECTED))


def encode_beacon(
    bssid: bytes,
    ssid: str,
    channel: int,
    *,
    bss_load: BssLoad | None = None,
    interval_tu: int = 100,
    timestamp_us: int = 0,
    sequence: int = 0,
) -> bytes:
    """
    Write a beacon, without a check sequence.

    Args:      interval_tu in units of 1,024 us; timestamp_us of the access point's clock; sequence 0 to 4,095.
    Raises:    OutOfRange: a BSSID that isn't six octets, an SSID over 32, a channel or a load that its field can't hold.
    """
    name = ssid.encode()
    if len(bssid) != 6 or len(name) > 32 or not 1 <= channel <= 255:
        raise OutOfRange(f"no beacon carries BSSID {bssid.hex(':')}, SSID {ssid!r} and channel {channel}")
    if bss_load is not None and not (0 <= bss_load.stations <= 0xFFFF and 0 <= bss_load.busy_raw <= 255):
        raise OutOfRange(f"BSS Load holds 0 to 65535 stations and 0 to 255 busy, not {bss_load}")
    ess_with_privacy = 0x0011
    head = struct.pack("<BBH", BEACON << 4 | MANAGEMENT << 2, 0, 0)
    addresses = _BROADCAST + bssid + bssid
    fixed = struct.pack("<HQHH", (sequence & 0xFFF) << 4, timestamp_us, interval_tu, ess_with_privacy)
    return head + addresses + fixed + encode_beacon_elements(name, channel, bss_load)
