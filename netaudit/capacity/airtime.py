"""
Airtime: how long a frame, and the exchange around it, keeps the channel.

Times are in microseconds, as the standard works in them; inside they are whole nanoseconds, so nothing is lost to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from netaudit.capacity.rates import Band, Mode, Phy, data_bits, dsss, encoders, ofdm, symbol_ns
from netaudit.errors import OutOfRange

# Frame sizes with FCS [octets]: IEEE 802.11-2020 9.3.1 (control), 9.3.2 (data), 12.5.3 (CCMP), 9.7 (A-MPDU).
ACK_BYTES = 14
CTS_BYTES = 14
RTS_BYTES = 20
BLOCK_ACK_BYTES = {64: 32, 256: 56, 512: 88, 1024: 152}  # by frames acknowledged: 24 octets and the bitmap
DATA_HEADER_BYTES = 24
QOS_BYTES = 2
FCS_BYTES = 4
LLC_BYTES = 8
CIPHER_BYTES = 16  # CCMP-128: header 8, integrity code 8
DELIMITER_BYTES = 4

# Longest PPDU, aPPDUMaxTime: IEEE 802.11-2020 Tables 19-25, 21-28; 802.11ax-2021 Table 27-54.
PPDU_MAX_US = 5484.0
# Most octets in one A-MPDU and most frames one Block ACK answers: IEEE 802.11-2020 9.4.2.55.3, 9.4.2.157; ax, be.
AMPDU_MAX_BYTES = {Phy.HT: 65_535, Phy.VHT: 1_048_575, Phy.HE: 6_500_631, Phy.EHT: 15_523_200}
BLOCK_ACK_WINDOW = {Phy.HT: 64, Phy.VHT: 64, Phy.HE: 256, Phy.EHT: 1024}
# Longest PSDU that the older PHYs' length field can name: IEEE 802.11-2020 Tables 16-4, 17-21.
PSDU_MAX_BYTES = 4095

_TRAINING_SYMBOLS = {1: 1, 2: 2, 3: 4, 4: 4, 5: 6, 6: 6, 7: 8, 8: 8}  # IEEE 802.11-2020 Tables 19-13, 21-13
_SIGNAL_EXTENSION_NS = 6_000  # 2.4 GHz, on every OFDM-based PPDU, answers too: IEEE 802.11-2020 18.3.2.4, 19.3.2
_LONG_PREAMBLE_NS, _SHORT_PREAMBLE_NS = 192_000, 96_000  # IEEE 802.11-2020 15.2.2, 16.2.2
_LEGACY_PREAMBLE_NS = 20_000  # L-STF 8, L-LTF 8, L-SIG 4: IEEE 802.11-2020 17.3.2
# HE-LTF with its guard, the pairs that SU PPDUs use most: 2x LTF at 0.8 and 1.6 us, 4x at 3.2 us (802.11ax-2021 27.3.11.10)
_LONG_TRAINING_NS = {800: 7_200, 1600: 8_000, 3200: 16_000}
# RL-SIG 4, HE-SIG-A 8, HE-STF 4 (802.11ax-2021 27.3.4); EHT: RL-SIG 4, U-SIG 8, EHT-SIG 8 (52 bits at 26 a symbol), STF 4
# (802.11be-2024 36.3.4; EHT-SIG from memory).
_HE_FIXED_NS, _EHT_FIXED_NS = 16_000, 24_000


@dataclass(frozen=True, slots=True)
class Spacing:
    """Interframe spaces of a channel [us]."""

    sifs_us: float
    slot_us: float

    def aifs_us(self, slots: int) -> float:
        """AIFS = SIFS + AIFSN slots (IEEE 802.11-2020 10.23.2.4); DIFS is that of two (10.3.7)."""
        return self.sifs_us + slots * self.slot_us


def spacing(band: Band, *, long_slot: bool = False) -> Spacing:
    """
    Give the interframe spaces of a band; one 802.11b client in 2.4 GHz forces long slots on everybody.

    Raises:    OutOfRange: long slots outside 2.4 GHz.
    Source:    IEEE 802.11-2020 Tables 16-4, 17-21, 18-5 and 18.4.4.
    """
    if band is Band.GHZ_2_4:
        return Spacing(10.0, 20.0 if long_slot else 9.0)
    if long_slot:
        raise OutOfRange(f"long slots exist only in 2.4 GHz, not in {band} GHz")
    return Spacing(16.0, 9.0)


class Category(StrEnum):
    """EDCA access categories, and plain DCF for stations without QoS."""

    BACKGROUND = "AC_BK"
    BEST_EFFORT = "AC_BE"
    VIDEO = "AC_VI"
    VOICE = "AC_VO"
    DCF = "DCF"


@dataclass(frozen=True, slots=True)
class Access:
    """How a station contends: slots after SIFS, CWmin and CWmax (2^k - 1), longest turn [us]; qos False is plain DCF."""

    aifs_slots: int
    cw_min: int
    cw_max: int
    txop_us: float
    qos: bool = True


def access(category: Category, *, dsss_only: bool = False) -> Access:
    """
    Default EDCA parameters of a station (not the access point's own set). A limit of 0 us means one PPDU a turn.

    Source:    IEEE 802.11-2020 Table 9-155; CWmin 15, or 31 in an 802.11b BSS, CWmax 1023 (Tables 16-4, 17-21, 18-5).
    """
    low = 31 if dsss_only else 15
    if category is Category.DCF:
        return Access(2, low, 1023, 0.0, qos=False)
    if category is Category.BACKGROUND:
        return Access(7, low, 1023, 3264.0 if dsss_only else 2528.0)
    if category is Category.BEST_EFFORT:
        return Access(3, low, 1023, 3264.0 if dsss_only else 2528.0)
    if category is Category.VIDEO:
        return Access(2, (low + 1) // 2 - 1, low, 6016.0 if dsss_only else 4096.0)
    return Access(2, (low + 1) // 4 - 1, (low + 1) // 2 - 1, 3264.0 if dsss_only else 2080.0)


def preamble_us(mode: Mode, *, short_preamble: bool = False) -> float:
    """
    Preamble and headers before the data of a PPDU [us]; HT is HT-mixed, VHT includes SIG-B, HE is a single-user PPDU.

    Args:      short_preamble for HR-DSSS networks; never used at 1 Mb/s.
    Source:    IEEE 802.11-2020 15.2.2, 16.2.2, 17.3.2, 19.3.2, 21.3.2; 802.11ax-2021 27.3.4; 802.11be-2024 36.3.4.
    """
    return _preamble_ns(mode, short_preamble=short_preamble) / 1000


def _preamble_ns(mode: Mode, *, short_preamble: bool) -> int:
    if mode.is_dsss:
        return _SHORT_PREAMBLE_NS if short_preamble and mode.mcs > 1 else _LONG_PREAMBLE_NS
    if mode.phy is Phy.OFDM:
        return _LEGACY_PREAMBLE_NS
    training = _TRAINING_SYMBOLS[mode.streams]
    if mode.phy is Phy.HT:  # HT-SIG 8, HT-STF 4, HT-LTFs 4 each
        return _LEGACY_PREAMBLE_NS + 12_000 + 4_000 * training
    if mode.phy is Phy.VHT:  # SIG-A 8, STF 4, LTFs 4 each, SIG-B 4
        return _LEGACY_PREAMBLE_NS + 16_000 + 4_000 * training
    fixed = _HE_FIXED_NS if mode.phy is Phy.HE else _EHT_FIXED_NS
    return _LEGACY_PREAMBLE_NS + fixed + _LONG_TRAINING_NS[mode.guard_ns] * training


@lru_cache(
    maxsize=65_536
)  # a plan has some hundred (mode, size) pairs; the bound only keeps a fuzzer from filling memory
def ppdu_us(mode: Mode, psdu_bytes: int, band: Band, *, short_preamble: bool = False) -> float:
    """
    Time on the air of one PPDU, with the signal extension in 2.4 GHz [us].

    Args:      psdu_bytes MAC frame or A-MPDU with all headers and FCS [octets].
    Raises:    OutOfRange: a size below 1 or above what the PHY can name, DSSS outside 2.4 GHz.
    Source:    TXTIME of IEEE 802.11-2020 15.4.5, 16.3.4, 17.4.3, 18.5.3, 19.4.3, 21.4.3; 802.11ax-2021 27.4.3.
               No packet extension, no LDPC extra symbol.
    """
    if psdu_bytes < 1:
        raise OutOfRange(f"a frame has 1 octet or more, not {psdu_bytes}")
    limit = AMPDU_MAX_BYTES.get(mode.phy, PSDU_MAX_BYTES)
    if psdu_bytes > limit:
        raise OutOfRange(f"{mode.phy} sends at most {limit} octets at once, not {psdu_bytes}")
    preamble_ns = _preamble_ns(mode, short_preamble=short_preamble)
    if mode.is_dsss:
        if band is not Band.GHZ_2_4:
            raise OutOfRange(f"{mode.phy} exists only in 2.4 GHz, not in {band} GHz")
        tenths_mbps = round(mode.mcs * 10)
        return preamble_ns / 1000 + -(-8 * psdu_bytes * 10 // tenths_mbps)
    bits = 16 + 8 * psdu_bytes + 6 * encoders(mode)
    symbols = -(-bits // int(data_bits(mode)))  # the standard rounds thirds of a bit down
    data_ns = symbols * symbol_ns(mode)
    if mode.guard_ns == 400:  # the receiver counts in whole 4 us symbols: IEEE 802.11-2020 eq. (19-90), (21-105)
        data_ns = -(-data_ns // 4_000) * 4_000
    extension_ns = _SIGNAL_EXTENSION_NS if band is Band.GHZ_2_4 else 0
    return (preamble_ns + data_ns + extension_ns) / 1000


def mpdu_bytes(packet_bytes: int, *, qos: bool = True, ciphered: bool = True) -> int:
    """Octets of the MAC frame around an IP packet: header, QoS, LLC/SNAP, cipher, FCS (IEEE 802.11-2020 9.3.2, 12.5.3)."""
    head = DATA_HEADER_BYTES + (QOS_BYTES if qos else 0) + LLC_BYTES + FCS_BYTES + (CIPHER_BYTES if ciphered else 0)
    return head + packet_bytes


def ampdu_bytes(count: int, frame_bytes: int) -> int:
    """Octets of an A-MPDU: a delimiter a frame, each padded to 4 but the last (IEEE 802.11-2020 9.7.1)."""
    sub = DELIMITER_BYTES + frame_bytes
    return (count - 1) * (sub + -sub % 4) + sub


@lru_cache(maxsize=4096)  # as ppdu_us
def frames_per_turn(mode: Mode, frame_bytes: int, band: Band, *, txop_us: float = 0.0, max_bytes: int = 0) -> int:
    """
    Most frames of one size that fit one A-MPDU: octets, Block ACK window, longest PPDU, and the turn's limit.

    Args:      txop_us longest turn with its Block ACK, 0 for none; max_bytes the receiver's own A-MPDU limit, 0 for the
               standard's.
    Returns:   1 where the PHY has no A-MPDU.
    Source:    IEEE 802.11-2020 9.7, 10.12, 10.23.2.9; 802.11ax-2021 26.6.
    """
    if mode.phy not in AMPDU_MAX_BYTES:
        return 1
    limit = min(max_bytes or AMPDU_MAX_BYTES[mode.phy], AMPDU_MAX_BYTES[mode.phy])
    longest_us = PPDU_MAX_US
    if txop_us:
        # the slowest answer, so that every turn holds
        answer = ppdu_us(ofdm(6), _block_ack_bytes(mode.phy, BLOCK_ACK_WINDOW[mode.phy]), band)
        longest_us = min(longest_us, txop_us - spacing(band).sifs_us - answer)
    low, high = 1, BLOCK_ACK_WINDOW[mode.phy]
    while low < high:  # largest count that fits; octets and time both grow with the count
        middle = (low + high + 1) // 2
        size = ampdu_bytes(middle, frame_bytes)
        if size <= limit and ppdu_us(mode, size, band) <= longest_us:
            low = middle
        else:
            high = middle - 1
    return low


def _block_ack_bytes(phy: Phy, frames: int) -> int:
    """Octets of a Block ACK: its bitmap covers the window that both ends agreed on, not only the frames of one PPDU."""
    window = max(frames, 64 if phy in (Phy.HT, Phy.VHT) else 256)
    return next(size for most, size in BLOCK_ACK_BYTES.items() if most >= window)


# Non-HT reference rate by modulation and coding: IEEE 802.11-2020 Table 10-10; above 64-QAM 3/4 all are 54.
_REFERENCE_MBPS = {(1, 1): 6, (2, 1): 12, (2, 3): 18, (4, 1): 24, (4, 3): 36, (6, 2): 48}
_MANDATORY_OFDM_MBPS = (6, 12, 24)  # IEEE 802.11-2020 17.2.3


@lru_cache(maxsize=4096)  # one a mode and basic set
def answer_mode(mode: Mode, basic_mbps: tuple[float, ...] = ()) -> Mode:
    """
    Mode of the ACK, CTS or Block ACK that answers a frame.

    It is the fastest basic rate of the same modulation class that is not above the frame's reference rate, and where the
    basic set has none, the fastest mandatory one.

    Args:      basic_mbps the BSS's basic rates [Mb/s]; empty: the mandatory ones.
    Source:    IEEE 802.11-2020 10.6.6.5.2, 10.6.11.
    """
    if mode.is_dsss:
        fit = [rate for rate in basic_mbps or (1.0, 2.0) if rate in (1.0, 2.0, 5.5, 11.0) and rate <= mode.mcs]
        return dsss(max(fit, default=1.0))
    if mode.phy is Phy.OFDM:
        reference = int(mode.mcs)
    else:
        coding = mode.coding
        reference = _REFERENCE_MBPS.get((coding.bits, coding.code.numerator), 54)
    fit_ofdm = [int(rate) for rate in basic_mbps if rate in (6, 9, 12, 18, 24, 36, 48, 54) and rate <= reference]
    return ofdm(max(fit_ofdm or [rate for rate in _MANDATORY_OFDM_MBPS if rate <= reference]))


class Protection(StrEnum):
    """What goes before a frame so that all hear of it."""

    NONE = "none"
    CTS_TO_SELF = "CTS-to-self"
    RTS_CTS = "RTS/CTS"


@dataclass(frozen=True, slots=True)
class Channel:
    """What all frames of a channel share: band, slots, basic rates, protection, preamble."""

    band: Band
    long_slot: bool = False
    basic_mbps: tuple[float, ...] = ()
    protection: Protection = Protection.NONE
    short_preamble: bool = False

    @property
    def spacing(self) -> Spacing:
        """The channel's interframe spaces."""
        return spacing(self.band, long_slot=self.long_slot)

    @property
    def lowest(self) -> Mode:
        """The lowest basic rate: beacons, broadcast and protection go at it. 1 Mb/s in 2.4 GHz, else 6 Mb/s, by default."""
        slowest = min(self.basic_mbps, default=1.0 if self.band is Band.GHZ_2_4 else 6.0)
        return dsss(slowest) if slowest in (1.0, 2.0, 5.5, 11.0) else ofdm(int(slowest))


@dataclass(frozen=True, slots=True)
class Exchange:
    """
    Times of one frame exchange [us].

    on_air_us    all PPDUs of a successful exchange
    gaps_us      the SIFS gaps inside it, which virtual carrier sense keeps busy
    collision_us what the channel is busy when the first frame of the exchange is lost
    """

    on_air_us: float
    gaps_us: float
    collision_us: float

    @property
    def busy_us(self) -> float:
        """Time that carrier sense, physical or virtual, holds the channel busy: what a BSS Load element counts."""
        return self.on_air_us + self.gaps_us


@lru_cache(maxsize=65_536)  # as ppdu_us: work is per profile, not per device
def exchange(mode: Mode, frame_bytes: int, channel: Channel, *, frames: int = 1) -> Exchange:
    """
    One exchange of unicast data: protection, data, SIFS, ACK or Block ACK.

    Args:      frame_bytes MAC frame with FCS [octets]; frames more than 1 is an A-MPDU answered by a Block ACK.
    Raises:    OutOfRange: an A-MPDU that the PHY doesn't have or can't hold.
    Source:    IEEE 802.11-2020 10.3.2, 10.25 (Block ACK); VHT and later send even one frame as an A-MPDU (10.12.7).
    """
    if frames < 1 or frames > BLOCK_ACK_WINDOW.get(mode.phy, 1):
        raise OutOfRange(f"{mode.phy} sends 1 to {BLOCK_ACK_WINDOW.get(mode.phy, 1)} frames at once, not {frames}")
    band, short = channel.band, channel.short_preamble
    always = mode.phy in (Phy.VHT, Phy.HE, Phy.EHT)
    size = ampdu_bytes(frames, frame_bytes) if frames > 1 or always else frame_bytes
    data_us = ppdu_us(mode, size, band, short_preamble=short)
    answer_bytes = ACK_BYTES if frames == 1 else _block_ack_bytes(mode.phy, frames)
    answer_us = ppdu_us(answer_mode(mode, channel.basic_mbps), answer_bytes, band, short_preamble=short)
    sifs_us = channel.spacing.sifs_us
    before_us, gaps, collision_us = 0.0, 1, data_us
    if channel.protection is not Protection.NONE:
        cts_us = ppdu_us(channel.lowest, CTS_BYTES, band, short_preamble=short)
        if channel.protection is Protection.RTS_CTS:
            rts_us = ppdu_us(channel.lowest, RTS_BYTES, band, short_preamble=short)
            before_us, gaps, collision_us = rts_us + cts_us, 3, rts_us
        elif not mode.is_dsss:  # an 802.11b frame is heard by all; only newer ones need a word of warning
            before_us, gaps, collision_us = cts_us, 2, cts_us + sifs_us + data_us
    return Exchange(before_us + data_us + answer_us, gaps * sifs_us, collision_us)


@lru_cache(maxsize=4096)  # as ppdu_us
def broadcast_us(frame_bytes: int, channel: Channel) -> float:
    """Busy time of one group-addressed frame: the lowest basic rate, no answer, no retry [us] (802.11-2020 10.3.6)."""
    return ppdu_us(channel.lowest, frame_bytes, channel.band, short_preamble=channel.short_preamble)
