"""
The elements of 802.11 management frames: what a radio offers and how busy it is.

Source: IEEE 802.11-2020 clause 9.4.2 (identifiers 0 to 221) and IEEE 802.11ax-2021 9.4.2.248 and 9.4.2.249 (HE), with
identifiers and layouts as in the ns-3 and net80211 sources; what those don't cover is marked `from memory`.
"""

from __future__ import annotations

from dataclasses import dataclass

_SSID, _RATES, _DS, _TIM, _COUNTRY, _BSS_LOAD, _HT_CAPABILITIES, _RSN, _MORE_RATES = 0, 1, 3, 5, 7, 11, 45, 48, 50
_HT_OPERATION, _VHT_CAPABILITIES, _VHT_OPERATION, _EXTENDED = 61, 191, 192, 255
# Elements of identifier 255 are told apart by the first octet of their body; we give them numbers above all others.
_HE_CAPABILITIES, _HE_OPERATION, _EHT_OPERATION, _EHT_CAPABILITIES = 256 + 35, 256 + 36, 256 + 106, 256 + 108
# The fastest rate an octet can say is 54 Mb/s; higher values are membership selectors, not rates (9.4.2.3, from memory).
_FASTEST_RATE = 108
_NO_STREAM = 3  # of the two bits that each stream count has in a VHT or HE map (9.4.2.157.3)


@dataclass(frozen=True, slots=True)
class BssLoad:
    """
    BSS Load (9.4.2.27): the stations associated now, and how busy the primary channel is, in 1/255.

    The busy share covers all that the access point hears, its own traffic included; all BSSIDs of one radio repeat it.
    `admission_capacity` is the air time left for explicit admission [32 us/s], None in the form of the 802.11e drafts.
    """

    stations: int
    busy_raw: int
    admission_capacity: int | None

    @property
    def busy_share(self) -> float:
        """The share of time in which the channel was sensed busy, 0 to 1."""
        return self.busy_raw / 255


@dataclass(frozen=True, slots=True)
class Elements:
    """
    What the elements of one frame say; None where they say nothing.

    `ssid` is empty or all zeros where the network hides its name. `channel` is that of the DS parameter set, else the
    primary one of HT or 6 GHz operation. `width_mhz` is the width in use by the operation elements, and
    `capable_width_mhz` the widest that the sender could use; 80+80 counts as 160. `streams` is the most of any
    generation. `whole` is False when an element runs over the end: those before it are kept.
    """

    ssid: bytes | None
    rates_bps: tuple[float, ...]
    channel: int | None
    dtim_count: int | None
    dtim_period: int | None
    country: str | None
    bss_load: BssLoad | None
    rsn: bool
    ht: bool
    vht: bool
    he: bool
    eht: bool
    streams: int | None
    width_mhz: int | None
    capable_width_mhz: int | None
    whole: bool

    @property
    def name(self) -> str | None:
        """The SSID as text; None when it is missing or hidden."""
        if self.ssid is None or not any(self.ssid):
            return None
        return self.ssid.decode("utf-8", "replace")


def decode_elements(data: bytes) -> Elements:
    """Read a run of elements; the first of a kind counts, and one of impossible size is passed over. Never raises."""
    found: dict[int, bytes] = {}
    at, end = 0, len(data)
    while at + 2 <= end:
        after = at + 2 + data[at + 1]
        if after > end:
            break
        identifier, body = data[at], data[at + 2 : after]
        at = after
        if identifier == _EXTENDED:
            if not body:
                continue
            identifier, body = 256 + body[0], body[1:]
        found.setdefault(identifier, body)
    get = found.get
    ssid = get(_SSID)
    tim = get(_TIM, b"")
    ht_capabilities, ht_operation = get(_HT_CAPABILITIES, b""), get(_HT_OPERATION, b"")
    vht_capabilities, vht_operation = get(_VHT_CAPABILITIES, b""), get(_VHT_OPERATION, b"")
    he_capabilities, he_operation = get(_HE_CAPABILITIES, b""), _six_ghz(get(_HE_OPERATION, b""))
    ds = get(_DS)
    if ds:
        channel: int | None = ds[0]
    elif len(ht_operation) >= 22:
        channel = ht_operation[0]
    else:
        channel = he_operation[0] if he_operation else None
    return Elements(
        ssid=ssid if ssid is not None and len(ssid) <= 32 else None,
        rates_bps=tuple(
            (octet & 0x7F) * 500e3
            for octet in get(_RATES, b"") + get(_MORE_RATES, b"")
            if 0 < octet & 0x7F <= _FASTEST_RATE
        ),
        channel=channel,
        dtim_count=tim[0] if len(tim) >= 3 else None,
        dtim_period=tim[1] if len(tim) >= 3 else None,
        country=_country(get(_COUNTRY, b"")),
        bss_load=_bss_load(get(_BSS_LOAD, b"")),
        rsn=_RSN in found,
        ht=len(ht_capabilities) >= 26 or len(ht_operation) >= 22,
        vht=len(vht_capabilities) >= 12 or len(vht_operation) >= 5,
        he=_HE_CAPABILITIES in found or _HE_OPERATION in found,
        eht=_EHT_CAPABILITIES in found or _EHT_OPERATION in found,
        streams=_streams(ht_capabilities, vht_capabilities, he_capabilities),
        width_mhz=_width_mhz(ht_operation, vht_operation, he_operation),
        capable_width_mhz=_capable_width_mhz(ht_capabilities, vht_capabilities, he_capabilities),
        whole=at == end,
    )


def _bss_load(body: bytes) -> BssLoad | None:
    """Read BSS Load: counts are little-endian. Five octets, or four in the drafts of 802.11e."""
    if len(body) not in (4, 5):
        return None
    return BssLoad(body[0] | body[1] << 8, body[2], body[3] | body[4] << 8 if len(body) == 5 else None)


def _country(body: bytes) -> str | None:
    """Read the two letters of a Country element (9.4.2.8)."""
    letters = body[:2]
    return letters.decode("ascii") if len(body) >= 3 and letters.isalpha() else None


def _six_ghz(body: bytes) -> bytes:
    """Find the 6 GHz operation information in HE Operation: primary channel, control, ... (from memory)."""
    if len(body) < 6:
        return b""
    parameters = int.from_bytes(body[:3], "little")
    at = 6 + (3 if parameters >> 14 & 1 else 0) + (1 if parameters >> 15 & 1 else 0)
    return body[at : at + 5] if parameters >> 17 & 1 and len(body) >= at + 5 else b""


def _streams(ht: bytes, vht: bytes, he: bytes) -> int | None:
    """Count the spatial streams that the sender can receive, by the capabilities of all generations."""
    counts = []
    if len(ht) >= 26:
        counts.append(sum(octet != 0 for octet in ht[3:7]))
    if len(vht) >= 12:
        counts.append(_map_streams(vht[4:6]))
    if len(he) >= 21:  # 6 octets of MAC and 11 of PHY capabilities, then the maps up to 80 MHz (from memory)
        counts.append(_map_streams(he[17:19]))
    return max(counts, default=0) or None


def _map_streams(octets: bytes) -> int:
    """Find the highest stream count that a map of two bits each supports."""
    bits = int.from_bytes(octets, "little")
    return max((count for count in range(1, 9) if bits >> 2 * (count - 1) & 3 != _NO_STREAM), default=0)


def _width_mhz(ht: bytes, vht: bytes, six_ghz: bytes) -> int | None:
    """Find the width in use from the operation elements."""
    if six_ghz:
        return (20, 40, 80, 160)[six_ghz[1] & 3]
    if len(vht) >= 5 and vht[0]:
        # Width 1 is 80 MHz unless the second segment says more; 2 and 3 are the older way to say 160 and 80+80
        # (9.4.2.158, from memory).
        return 160 if vht[0] > 1 or vht[2] else 80
    if len(ht) >= 22:
        return 40 if ht[1] & 3 in (1, 3) and ht[1] & 4 else 20
    return None


def _capable_width_mhz(ht: bytes, vht: bytes, he: bytes) -> int | None:
    """Find the widest channel that the capabilities allow."""
    widths = []
    if len(ht) >= 26:
        widths.append(40 if ht[0] & 0x02 else 20)
    if len(vht) >= 12:
        widths.append(160 if vht[0] >> 2 & 3 else 80)
    if len(he) >= 21:  # octet 0 of the PHY capabilities: bit 1 40 MHz in 2.4 GHz, 2 80 MHz, 3 and 4 160 (from memory)
        widths.append(160 if he[6] & 0x18 else 80 if he[6] & 0x04 else 40 if he[6] & 0x02 else 20)
    return max(widths, default=None)


def encode_element(identifier: int, body: bytes) -> bytes:
    """Write one element; the caller keeps the body at 255 octets or fewer."""
    return bytes([identifier, len(body)]) + body


def encode_beacon_elements(ssid: bytes, channel: int, bss_load: BssLoad | None) -> bytes:
    """Write the elements of a plain beacon: SSID, OFDM and DSSS rates by the band, channel, BSS Load."""
    # In 500 kb/s with bit 7 on the basic ones: 1, 2, 5.5, 11, 6, 9, 12, 18 in 2.4 GHz, else 6 to 54 Mb/s.
    rates = bytes.fromhex("82848b960c121824") if channel <= 14 else bytes.fromhex("8c129824b048606c")
    parts = [encode_element(_SSID, ssid), encode_element(_RATES, rates), encode_element(_DS, bytes([channel]))]
    if bss_load is not None:
        capacity = bss_load.admission_capacity or 0
        body = bss_load.stations.to_bytes(2, "little") + bytes([bss_load.busy_raw]) + capacity.to_bytes(2, "little")
        parts.append(encode_element(_BSS_LOAD, body))
    return b"".join(parts)
