"""
Radio rates of IEEE 802.11: which combinations exist, and how fast each is while it is on the air.

A `Mode` names one way to send: PHY, MCS (for DSSS and OFDM the rate itself, as the standard names those), streams, width and
guard interval. Building one that the standard doesn't have raises OutOfRange with the reason, so every Mode in the program
exists. Rates follow from tones, bits and code; nothing here is a copied rate table, so there is nothing to mistype.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache

from netaudit.errors import OutOfRange


class Band(StrEnum):
    """The three bands, named by their frequency in GHz."""

    GHZ_2_4 = "2.4"
    GHZ_5 = "5"
    GHZ_6 = "6"

    __hash__ = str.__hash__  # Enum's own is written in Python, and every cached function here is keyed by one of these


class Phy(StrEnum):
    """The standard's physical layers, oldest first. ERP-OFDM (802.11g) is OFDM in the 2.4 GHz band."""

    DSSS = "DSSS"
    HR_DSSS = "HR-DSSS"
    OFDM = "OFDM"
    HT = "HT"
    VHT = "VHT"
    HE = "HE"
    EHT = "EHT"

    __hash__ = str.__hash__  # as above


@dataclass(frozen=True, slots=True)
class Coding:
    """One modulation and coding: bits a tone carries (before coding) and the share of them that is data."""

    bits: int
    code: Fraction

    @property
    def name(self) -> str:
        """The trade's name, e.g. `64-QAM 5/6`."""
        names = {1: "BPSK", 2: "QPSK"}
        return f"{names.get(self.bits, f'{2**self.bits}-QAM')} {self.code}"


# IEEE 802.11-2020 Tables 19-27 (HT 0-7), 21-29 (VHT 0-9); 802.11ax-2021 27.5 (HE 0-11); 802.11be-2024 36.5 (EHT 0-13):
# one ladder, each PHY adds steps at its top.
LADDER = (
    Coding(1, Fraction(1, 2)),
    Coding(2, Fraction(1, 2)),
    Coding(2, Fraction(3, 4)),
    Coding(4, Fraction(1, 2)),
    Coding(4, Fraction(3, 4)),
    Coding(6, Fraction(2, 3)),
    Coding(6, Fraction(3, 4)),
    Coding(6, Fraction(5, 6)),
    Coding(8, Fraction(3, 4)),
    Coding(8, Fraction(5, 6)),
    Coding(10, Fraction(3, 4)),
    Coding(10, Fraction(5, 6)),
    Coding(12, Fraction(3, 4)),
    Coding(12, Fraction(5, 6)),
)

# IEEE 802.11-2020 Table 17-4 (OFDM, 20 MHz), by rate in Mb/s.
OFDM_LADDER = {
    6: Coding(1, Fraction(1, 2)),
    9: Coding(1, Fraction(3, 4)),
    12: Coding(2, Fraction(1, 2)),
    18: Coding(2, Fraction(3, 4)),
    24: Coding(4, Fraction(1, 2)),
    36: Coding(4, Fraction(3, 4)),
    48: Coding(6, Fraction(2, 3)),
    54: Coding(6, Fraction(3, 4)),
}
DSSS_RATES_MBPS = {Phy.DSSS: (1.0, 2.0), Phy.HR_DSSS: (5.5, 11.0)}  # IEEE 802.11-2020 clauses 15 and 16
DSSS_WIDTH_MHZ = 22


@dataclass(frozen=True, slots=True)
class _Family:
    """What one OFDM-based PHY allows: data tones by width, guard intervals, symbol without guard, top MCS, streams."""

    tones: dict[int, int]
    guards_ns: tuple[int, ...]
    symbol_ns: int
    top_mcs: int
    top_streams: int


# Tones: IEEE 802.11-2020 Tables 17-5, 19-6, 21-5; 802.11ax-2021 Table 27-14 (242-, 484-, 996- and 2x996-tone units) and
# 802.11be-2024 (4x996 tones for 320 MHz). EHT stops at 8 streams in the published amendment.
FAMILIES = {
    Phy.OFDM: _Family({20: 48}, (800,), 3200, 54, 1),
    Phy.HT: _Family({20: 52, 40: 108}, (800, 400), 3200, 31, 4),
    Phy.VHT: _Family({20: 52, 40: 108, 80: 234, 160: 468}, (800, 400), 3200, 9, 8),
    Phy.HE: _Family({20: 234, 40: 468, 80: 980, 160: 1960}, (800, 1600, 3200), 12800, 11, 8),
    Phy.EHT: _Family({20: 234, 40: 468, 80: 980, 160: 1960, 320: 3920}, (800, 1600, 3200), 12800, 13, 8),
}

# Numbers of VHT encoders that the standard raises above N_DBPS / 2160 so that the bits still divide (IEEE 802.11-2020 21.5;
# from memory, and the test shows that each is the next number that divides): (width, streams, MCS) -> N_ES.
_VHT_RAISED = {
    (80, 7, 2): 3,
    (80, 7, 7): 6,
    (80, 7, 8): 6,
    (80, 8, 7): 6,
    (160, 4, 7): 6,
    (160, 5, 8): 8,
    (160, 6, 7): 8,
    (160, 7, 4): 6,
    (160, 7, 7): 9,
    (160, 7, 8): 12,
    (160, 7, 9): 12,
    (160, 8, 5): 8,
    (160, 8, 8): 12,
}


@dataclass(frozen=True, slots=True)
class Mode:
    """
    One way to send that the standard has.

    Args:      phy; mcs the MCS index (HT 0..31 counts its streams, as the standard does), for DSSS, HR-DSSS and OFDM the
               rate [Mb/s]; streams 1..8; width_mhz 20..320, 22 for DSSS; guard_ns 400, 800, 1600 or 3200, 0 for DSSS.
    Raises:    OutOfRange: the standard has no such combination, and why.
    """

    phy: Phy
    mcs: float
    streams: int = 1
    width_mhz: int = 20
    guard_ns: int = 800

    def __post_init__(self) -> None:
        reason = refused(self.phy, self.mcs, self.streams, self.width_mhz, self.guard_ns)
        if reason:
            raise OutOfRange(reason)

    @property
    def coding(self) -> Coding:
        """Modulation and coding of an OFDM-based mode."""
        return _coding(self.phy, self.mcs)

    @property
    def step(self) -> int:
        """The MCS without its streams: HT 15 is step 7 on two streams. Only for HT and later."""
        return int(self.mcs) % 8 if self.phy is Phy.HT else int(self.mcs)

    @property
    def is_dsss(self) -> bool:
        """Whether this is one of the 802.11b ways to send."""
        return self.phy in DSSS_RATES_MBPS


def dsss(rate_mbps: float) -> Mode:
    """Make the DSSS or HR-DSSS mode of this rate: 1, 2, 5.5 or 11 Mb/s. Raises OutOfRange for any other."""
    phy = Phy.DSSS if rate_mbps in DSSS_RATES_MBPS[Phy.DSSS] else Phy.HR_DSSS
    return Mode(phy, rate_mbps, width_mhz=DSSS_WIDTH_MHZ, guard_ns=0)


def ofdm(rate_mbps: int) -> Mode:
    """Make the OFDM (802.11a, in 2.4 GHz 802.11g) mode of this rate. Raises OutOfRange for a rate that isn't one."""
    return Mode(Phy.OFDM, rate_mbps)


def ht(step: int, *, streams: int = 1, width_mhz: int = 20, guard_ns: int = 800) -> Mode:
    """Make an HT mode by its step 0..7 and its streams 1..4, which is MCS step + 8 (streams - 1)."""
    if step not in range(8):
        raise OutOfRange(f"HT has the steps 0 to 7 on each number of streams, not {step}")
    return Mode(Phy.HT, step + 8 * (streams - 1), streams, width_mhz, guard_ns)


def refused(phy: Phy, mcs: float, streams: int, width_mhz: int, guard_ns: int) -> str | None:
    """
    Say why the standard has no such combination, or None when it has it.

    Source:    IEEE 802.11-2020 clauses 15 to 21, 802.11ax-2021 27.5, 802.11be-2024 36.5.
    """
    if phy in DSSS_RATES_MBPS:
        return _refused_dsss(phy, mcs, streams, width_mhz, guard_ns)
    family = FAMILIES[phy]
    if phy is Phy.OFDM:
        if mcs not in OFDM_LADDER:
            return f"OFDM has the rates 6, 9, 12, 18, 24, 36, 48 and 54 Mb/s, not {mcs:g}"
    elif mcs != int(mcs) or not 0 <= mcs <= family.top_mcs:
        return f"{phy} has the MCS 0 to {family.top_mcs}, not {mcs:g}"
    if streams not in range(1, family.top_streams + 1):
        return f"{phy} sends 1 to {family.top_streams} streams, not {streams}"
    if width_mhz not in family.tones:
        return f"{phy} has the widths {', '.join(map(str, family.tones))} MHz, not {width_mhz}"
    if guard_ns not in family.guards_ns:
        return f"{phy} has guard intervals of {', '.join(map(str, family.guards_ns))} ns, not {guard_ns}"
    if phy is Phy.HT and int(mcs) // 8 + 1 != streams:
        return f"HT MCS {mcs:g} sends {int(mcs) // 8 + 1} streams, not {streams}"
    if phy is Phy.VHT:
        return _refused_vht(int(mcs), streams, width_mhz)
    return None


def _refused_dsss(phy: Phy, mcs: float, streams: int, width_mhz: int, guard_ns: int) -> str | None:
    if mcs not in DSSS_RATES_MBPS[phy]:
        rates = " and ".join(f"{rate:g}" for rate in DSSS_RATES_MBPS[phy])
        return f"{phy} has the rates {rates} Mb/s, not {mcs:g}"
    if (streams, width_mhz, guard_ns) != (1, DSSS_WIDTH_MHZ, 0):
        return f"{phy} sends one stream on {DSSS_WIDTH_MHZ} MHz without a guard interval"
    return None


def _refused_vht(mcs: int, streams: int, width_mhz: int) -> str | None:
    """Apply the integrality rule: whole data bits a symbol, and whole bits for each of the encoders (802.11-2020 21.5)."""
    coded = FAMILIES[Phy.VHT].tones[width_mhz] * LADDER[mcs].bits * streams
    data = coded * LADDER[mcs].code
    where = f"VHT MCS {mcs} with {streams} streams at {width_mhz} MHz"
    if data.denominator != 1:
        return f"{where} doesn't exist: {float(data):.2f} data bits a symbol is no whole number"
    encoders = _vht_encoders(mcs, streams, width_mhz, int(data))
    if coded % encoders or data % encoders:
        return f"{where} doesn't exist: its {encoders} encoders can't share {coded} coded and {data} data bits evenly"
    return None


def _vht_encoders(mcs: int, streams: int, width_mhz: int, data_bits: int) -> int:
    # One encoder for each 600 Mb/s at the short guard (3.6 us), i.e. each 2160 data bits a symbol.
    return _VHT_RAISED.get((width_mhz, streams, mcs), -(-data_bits // 2160))


def _coding(phy: Phy, mcs: float) -> Coding:
    if phy is Phy.OFDM:
        return OFDM_LADDER[int(mcs)]
    return LADDER[int(mcs) % 8 if phy is Phy.HT else int(mcs)]


@lru_cache(maxsize=4096)  # all modes there are (about 3,600): each is asked for thousands of times by a large plan
def data_bits(mode: Mode) -> Fraction:
    """
    Data bits of one OFDM symbol over all streams. HE and EHT have thirds here (980 tones x 8 bits x 5/6).

    Raises:    OutOfRange: DSSS has no OFDM symbols.
    """
    if mode.is_dsss:
        raise OutOfRange(f"{mode.phy} doesn't send OFDM symbols")
    coding = mode.coding
    return FAMILIES[mode.phy].tones[mode.width_mhz] * coding.bits * mode.streams * coding.code


def symbol_ns(mode: Mode) -> int:
    """One OFDM symbol with its guard interval [ns]."""
    return FAMILIES[mode.phy].symbol_ns + mode.guard_ns


def encoders(mode: Mode) -> int:
    """
    Convolutional encoders of a mode (N_ES), each of which adds six tail bits; 0 where the standard demands LDPC.

    Source:    IEEE 802.11-2020 19.5 (HT: two above 300 Mb/s), 21.5 (VHT); 802.11ax-2021 27.3.12.5: HE convolutional
               coding only up to 242 tones, 4 streams and MCS 9; EHT alike.
    """
    if mode.phy is Phy.OFDM:
        return 1
    bits = data_bits(mode)
    if mode.phy is Phy.HT:
        return -(-int(bits) // 1080)  # 300 Mb/s at the short guard = 1080 bits in 3.6 us
    if mode.phy is Phy.VHT:
        return _vht_encoders(int(mode.mcs), mode.streams, mode.width_mhz, int(bits))
    return 1 if mode.width_mhz == 20 and mode.streams <= 4 and mode.mcs <= 9 else 0


@lru_cache(maxsize=4096)  # as above
def rate_bps(mode: Mode) -> float:
    """
    Bit rate of a mode while it is on the air, before any overhead [bit/s].

    Source:    N_SD x bits x code x streams / (symbol + guard): IEEE 802.11-2020 17.3, 19.5, 21.5; 802.11ax-2021 27.5.
    """
    if mode.is_dsss:
        return mode.mcs * 1e6
    return float(data_bits(mode) * 1_000_000_000 / symbol_ns(mode))
