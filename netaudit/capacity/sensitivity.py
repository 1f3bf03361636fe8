"""
From received level to rate: the standard's minimum sensitivities, and the fastest mode that a level carries.

The standard's figures are what every receiver must reach (at most 10 % of test frames lost); real ones are better, so a rate
chosen here is one that can be promised.
"""

from __future__ import annotations

from functools import lru_cache

from netaudit.capacity.rates import (
    DSSS_RATES_MBPS,
    FAMILIES,
    LADDER,
    OFDM_LADDER,
    Band,
    Mode,
    Phy,
    dsss,
    ht,
    ofdm,
    rate_bps,
    refused,
)

# IEEE 802.11-2020 Tables 19-23, 21-25; 802.11ax-2021 Table 27-51; 802.11be-2024 36.3.21.2 [dBm], by MCS at 20 MHz;
# each doubling of the width doubles the noise: 3 dB more.
_LADDER_DBM = (-82, -79, -77, -74, -70, -66, -65, -64, -59, -57, -54, -52, -49, -46)
# IEEE 802.11-2020 Table 17-18.
_OFDM_DBM = {6: -82, 9: -81, 12: -79, 18: -77, 24: -74, 36: -70, 48: -66, 54: -65}
# IEEE 802.11-2020 15.4.6.2 (2 Mb/s) and 16.3.8.2 (11 Mb/s); the slower rate of each pair must do at least as well.
_DSSS_DBM = {1.0: -80, 2.0: -80, 5.5: -76, 11.0: -76}
_WIDER_DB = {20: 0, 40: 3, 80: 6, 160: 9, 320: 12}

# Share of frames that the standard lets a receiver lose at its minimum level (same tables).
FRAMES_LOST = 0.1


def minimum_dbm(mode: Mode) -> int:
    """Level at which every receiver of the standard must take a mode [dBm]; the same for any streams and guard."""
    if mode.is_dsss:
        return _DSSS_DBM[mode.mcs]
    if mode.phy is Phy.OFDM:
        return _OFDM_DBM[int(mode.mcs)]
    return _LADDER_DBM[mode.step] + _WIDER_DB[mode.width_mhz]


@lru_cache(maxsize=4096)  # phy, streams, width and whole dBm: a few hundred in the largest plan
def carried(level_dbm: float, phy: Phy, streams: int, width_mhz: int) -> tuple[Mode, ...]:
    """
    Give the modes that a sender chooses from: for each width and number of streams the fastest that the level carries.

    The long guard, which both ends always have. More signal, streams or width only ever add to the choice.

    Args:      phy, streams and width_mhz what both ends have.
    Returns:   empty when even the slowest needs more.
    """
    best: dict[tuple[int, int], Mode] = {}
    for mode in _modes(phy, streams, width_mhz):
        shape = mode.width_mhz, mode.streams
        if minimum_dbm(mode) <= level_dbm and (shape not in best or rate_bps(mode) > rate_bps(best[shape])):
            best[shape] = mode
    return tuple(best.values())


def fastest(level_dbm: float, phy: Phy, streams: int, width_mhz: int) -> Mode | None:
    """Choose the fastest mode that a level carries; None when even the slowest needs more. Arguments as `carried`."""
    return max(carried(level_dbm, phy, streams, width_mhz), key=rate_bps, default=None)


def slowest(phy: Phy) -> Mode:
    """Give the slowest mode of a PHY: what a station falls back to at the edge."""
    return min(_modes(phy, 1, 20), key=rate_bps)


@lru_cache(maxsize=256)  # seven PHYs, eight streams, five widths
def _modes(phy: Phy, streams: int, width_mhz: int) -> tuple[Mode, ...]:
    if phy in DSSS_RATES_MBPS:
        return tuple(dsss(rate) for rate in _DSSS_DBM)
    if phy is Phy.OFDM:
        return tuple(ofdm(rate) for rate in OFDM_LADDER)
    family = FAMILIES[phy]
    widths = [width for width in family.tones if width <= max(width_mhz, 20)]
    counts = range(1, min(streams, family.top_streams) + 1)
    if phy is Phy.HT:
        return tuple(ht(step, streams=n, width_mhz=width) for width in widths for n in counts for step in range(8))
    top = min(family.top_mcs, len(LADDER) - 1)
    return tuple(
        Mode(phy, mcs, n, width, 800)
        for width in widths
        for n in counts
        for mcs in range(top + 1)
        if refused(phy, mcs, n, width, 800) is None
    )


# Oldest PHY of each band: IEEE 802.11-2020 clauses 15 to 17; in 6 GHz nothing older than HE (802.11ax-2021 27.1.1).
OLDEST = {Band.GHZ_2_4: Phy.DSSS, Band.GHZ_5: Phy.OFDM, Band.GHZ_6: Phy.HE}


def common_phy(one: Phy, other: Phy, band: Band) -> Phy:
    """
    Newest PHY that both ends speak, and at least the oldest that the band has.

    VHT is not defined in 2.4 GHz, HT serves there (IEEE 802.11-2020 21.1.1).
    """
    order = list(Phy)
    phy = order[max(min(order.index(one), order.index(other)), order.index(OLDEST[band]))]
    return Phy.HT if phy is Phy.VHT and band is Band.GHZ_2_4 else phy
