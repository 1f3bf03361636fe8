"""Channels: which share spectrum, and which to give to each radio so that the busiest place is least busy."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from netaudit.capacity.rates import Band
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

# Channels that are clear of each other need 25 MHz between their centres in 2.4 GHz (IEEE 802.11-2020 16.3.6.3).
_CLEAR_2_4_MHZ = 25
# First channel of each 80 and 160 MHz block of 5 GHz (IEEE 802.11-2020 Annex E, Table E-4); 40 MHz pairs start at 36, 44 ...
_RUNS_5 = ((36, 64), (100, 144), (149, 177))
# What is chosen when the plan leaves the channel to us. Which of them may be used is for the national regulator.
_CHOICES_2_4 = (1, 6, 11)
_CHOICES_5 = (*range(36, 65, 4), *range(100, 141, 4))
_CHOICES_6 = tuple(range(1, 94, 4))
# Radios up to which the best assignment is searched for exactly; above, step by step improvement serves.
EXACT_RADIOS = 9


@lru_cache(maxsize=1024)  # three bands, some sixty channels, five widths
def spectrum_mhz(band: Band, channel: int, width_mhz: int) -> tuple[float, float]:
    """
    Give the spectrum that a channel occupies: lower and upper edge [MHz].

    Args:      channel the primary 20 MHz channel; width_mhz 20 to 320. In 2.4 GHz 40 MHz extend upwards from channels to
               7, downwards from others; 320 MHz blocks start at channels 1, 65 and 129.
    Raises:    OutOfRange: the band has no such channel, or no block of this width there.
    Source:    IEEE 802.11-2020 Annex E and 15.4.4.3, 17.3.8.4; 802.11ax-2021 27.3.23; 802.11be-2024 36.3.24.
    """
    if band is Band.GHZ_2_4:
        if channel not in range(1, 15) or width_mhz not in (20, 40):
            raise OutOfRange(f"2.4 GHz has no channel {channel} of {width_mhz} MHz")
        centre = 2484.0 if channel == 14 else 2407.0 + 5 * channel
        if width_mhz == 20:
            return centre - 10, centre + 10
        return (centre - 10, centre + 30) if channel <= 7 else (centre - 30, centre + 10)
    if band is Band.GHZ_5:
        for first, last in _RUNS_5:
            if first <= channel <= last and (channel - first) % 4 == 0:
                return _block(5000, first, last, channel, width_mhz)
    elif channel in range(1, 234, 4):
        return _block(5950, 1, 233, channel, width_mhz)
    raise OutOfRange(f"{band} GHz has no channel {channel}")


def _block(base_mhz: int, first: int, last: int, channel: int, width_mhz: int) -> tuple[float, float]:
    size = width_mhz // 5  # channel numbers count 5 MHz
    lowest = first + (channel - first) // size * size
    if lowest + size - 4 > last:
        raise OutOfRange(f"channel {channel} lies in no block of {width_mhz} MHz")
    low = base_mhz + 5.0 * lowest - 10
    return low, low + width_mhz


class Tuned(NamedTuple):  # a tuple, because pairs of these are looked up very often
    """A channel in use: band, primary channel, width [MHz]."""

    band: Band
    channel: int
    width_mhz: int


@lru_cache(maxsize=16_384)  # pairs of channels in use
def share_spectrum(one: Tuned, other: Tuned) -> bool:
    """
    Say whether two channels disturb each other, so that their radios must share the time.

    In 2.4 GHz the mask reaches beyond the channel: 20 MHz channels are clear of each other only from 25 MHz on, so only
    1, 6 and 11 are all three. In 5 and 6 GHz channels are clear when their blocks don't meet.
    """
    if one.band is not other.band:
        return False
    low_a, high_a = spectrum_mhz(one.band, one.channel, one.width_mhz)
    low_b, high_b = spectrum_mhz(other.band, other.channel, other.width_mhz)
    margin = _CLEAR_2_4_MHZ - 20 if one.band is Band.GHZ_2_4 else 0
    return low_a < high_b + margin and low_b < high_a + margin


@lru_cache(maxsize=64)  # three bands, five widths
def choices(band: Band, width_mhz: int) -> tuple[Tuned, ...]:
    """Give the channels that an assignment may use: each clear of all others of the list."""
    numbers = {Band.GHZ_2_4: _CHOICES_2_4, Band.GHZ_5: _CHOICES_5, Band.GHZ_6: _CHOICES_6}[band]
    found: list[Tuned] = []
    for number in numbers:
        tuned = Tuned(band, number, width_mhz)
        try:
            clear = not any(share_spectrum(tuned, other) for other in found)
        except OutOfRange:
            continue
        if clear:
            found.append(tuned)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Placed:
    """A radio to be given a channel: its load [share of the time], its width, and its channel when that is fixed."""

    name: str
    band: Band
    width_mhz: int
    load: float
    fixed: Tuned | None = None


def busiest(radios: Sequence[Placed], tuned: Mapping[str, Tuned], hears: Mapping[str, tuple[str, ...]]) -> float:
    """Busy share at the busiest radio: its own load and that of all it hears on spectrum that it shares."""
    load = {radio.name: radio.load for radio in radios}
    return max((_at(radio.name, tuned, hears, load) for radio in radios), default=0.0)


def _at(
    name: str, tuned: Mapping[str, Tuned], hears: Mapping[str, tuple[str, ...]], load: Mapping[str, float]
) -> float:
    own = tuned[name]
    around = hears.get(name, ())
    return load[name] + sum(load[far] for far in around if far in tuned and share_spectrum(own, tuned[far]))


def assign(radios: Sequence[Placed], hears: Mapping[str, tuple[str, ...]]) -> dict[str, Tuned]:
    """
    Give every radio a channel so that the busiest is least busy. Radios with a fixed channel keep it.

    Args:      radios of one band; hears name -> names of the radios that it hears, both ways.
    Returns:   name -> channel. Exact for up to EXACT_RADIOS free radios, else greedy with improvement.
    """
    tuned = {radio.name: radio.fixed for radio in radios if radio.fixed is not None}
    free = sorted((r for r in radios if r.fixed is None and choices(r.band, r.width_mhz)), key=lambda r: -r.load)
    load = {radio.name: radio.load for radio in radios}
    for radio in free:
        tuned[radio.name] = _least_shared(radio, tuned, hears, load)[1]
    if len(free) > EXACT_RADIOS:
        return _improve(free, tuned, hears, load)
    best = busiest(radios, tuned, hears)
    return _search(radios, free, tuned, hears, best)


def _least_shared(
    radio: Placed, tuned: Mapping[str, Tuned], hears: Mapping[str, tuple[str, ...]], load: Mapping[str, float]
) -> tuple[float, Tuned]:
    """Load that a radio would share, and the channel with the least; the first of equals."""
    around: dict[Tuned, float] = {}
    for far in hears.get(radio.name, ()):
        if far in tuned:
            around[tuned[far]] = around.get(tuned[far], 0.0) + load[far]
    options = [
        (sum(shared for used, shared in around.items() if share_spectrum(option, used)), option)
        for option in choices(radio.band, radio.width_mhz)
    ]
    return min(options, key=lambda pair: pair[0])


def _improve(
    free: Sequence[Placed],
    start: Mapping[str, Tuned],
    hears: Mapping[str, tuple[str, ...]],
    load: Mapping[str, float],
) -> dict[str, Tuned]:
    """Move one radio at a time to its least shared channel until none gains, or a few rounds have passed."""
    tuned = dict(start)
    for _ in range(4):  # each round lowers the total that is shared; later rounds gain next to nothing
        moved = False
        for radio in free:
            now = sum(
                load[far]
                for far in hears.get(radio.name, ())
                if far in tuned and share_spectrum(tuned[radio.name], tuned[far])
            )
            then, option = _least_shared(radio, tuned, hears, load)
            if then < now - 1e-12:
                tuned[radio.name], moved = option, True
        if not moved:
            break
    return tuned


def _search(
    radios: Sequence[Placed],
    free: Sequence[Placed],
    start: Mapping[str, Tuned],
    hears: Mapping[str, tuple[str, ...]],
    best: float,
) -> dict[str, Tuned]:
    """Branch and bound over the free radios, heaviest first."""
    found = dict(start)
    load = {radio.name: radio.load for radio in radios}
    tuned = {radio.name: radio.fixed for radio in radios if radio.fixed is not None}

    def descend(depth: int) -> None:
        nonlocal best, found
        if depth == len(free):
            best, found = busiest(radios, tuned, hears), dict(tuned)
            return
        radio, tried_empty = free[depth], False
        for option in choices(radio.band, radio.width_mhz):
            empty = not any(share_spectrum(option, used) for used in tuned.values())
            if empty and tried_empty:
                continue  # channels that nobody uses yet are all alike
            tried_empty = tried_empty or empty
            tuned[radio.name] = option
            # Loads only add, so a partial assignment that is not better can't become better.
            near = (radio.name, *(far for far in hears.get(radio.name, ()) if far in tuned))
            if max(_at(name, tuned, hears, load) for name in near) < best - 1e-12:
                descend(depth + 1)
            del tuned[radio.name]

    descend(0)
    return found
