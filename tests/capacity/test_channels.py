from __future__ import annotations

from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity.channels import (
    EXACT_RADIOS,
    Placed,
    Tuned,
    assign,
    busiest,
    choices,
    share_spectrum,
    spectrum_mhz,
)
from netaudit.capacity.rates import Band
from netaudit.errors import OutOfRange

G2, G5, G6 = Band.GHZ_2_4, Band.GHZ_5, Band.GHZ_6


def test_only_1_6_and_11_are_clear_of_each_other() -> None:
    """Among channels 1 to 11 there is one set of three that don't overlap (IEEE 802.11-2020 16.3.6.3: 25 MHz apart)."""
    clear = [
        three
        for three in combinations(range(1, 12), 3)
        if not any(share_spectrum(Tuned(G2, a, 20), Tuned(G2, b, 20)) for a, b in combinations(three, 2))
    ]
    assert clear == [(1, 6, 11)]


# IEEE 802.11-2020 Annex E, Table E-4: centre channels 42, 58, 106 ... of 80 MHz, 50 and 114 of 160 MHz; centre = 5000 + 5 n.
@pytest.mark.parametrize(
    ("band", "channel", "width_mhz", "edges_mhz"),
    [
        (G2, 1, 20, (2402, 2422)),
        (G2, 14, 20, (2474, 2494)),
        (G2, 6, 40, (2427, 2467)),
        (G2, 11, 40, (2432, 2472)),
        (G5, 36, 20, (5170, 5190)),
        (G5, 40, 40, (5170, 5210)),
        (G5, 44, 80, (5170, 5250)),
        (G5, 64, 160, (5170, 5330)),
        (G5, 116, 80, (5570, 5650)),
        (G5, 128, 160, (5490, 5650)),
        (G5, 161, 80, (5735, 5815)),
        (G5, 165, 20, (5815, 5835)),
        (G5, 177, 160, (5735, 5895)),
        (G6, 1, 20, (5945, 5965)),
        (G6, 37, 80, (6105, 6185)),
        (G6, 1, 320, (5945, 6265)),
        (G6, 233, 20, (7105, 7125)),
    ],
)
def test_blocks_are_those_of_the_standard(
    band: Band, channel: int, width_mhz: int, edges_mhz: tuple[float, float]
) -> None:
    """Edges of a channel's block, whichever of its 20 MHz channels is the primary."""
    assert spectrum_mhz(band, channel, width_mhz) == edges_mhz


@pytest.mark.parametrize(
    ("band", "channel", "width_mhz"),
    [(G2, 15, 20), (G2, 1, 80), (G5, 38, 20), (G5, 144, 160), (G5, 34, 20), (G6, 2, 20), (G6, 233, 40), (G6, 233, 320)],
)
def test_channels_that_dont_exist_are_refused(band: Band, channel: int, width_mhz: int) -> None:
    """No such number in the band, or no block of that width there."""
    with pytest.raises(OutOfRange):
        spectrum_mhz(band, channel, width_mhz)


def test_wide_channels_share_with_every_narrow_one_inside() -> None:
    """An 80 MHz channel shares with any of its four, not with the next block; 160 MHz shares with both blocks."""
    wide, wider = Tuned(G5, 44, 80), Tuned(G5, 36, 160)
    assert all(share_spectrum(wide, Tuned(G5, n, 20)) for n in (36, 40, 44, 48))
    assert not share_spectrum(wide, Tuned(G5, 52, 80))
    assert share_spectrum(wider, Tuned(G5, 52, 80))
    assert share_spectrum(wider, wide)
    assert not share_spectrum(Tuned(G5, 36, 20), Tuned(G2, 6, 20))


@pytest.mark.parametrize(
    ("band", "width_mhz"), [(G2, 20), (G2, 40), (G5, 20), (G5, 40), (G5, 80), (G5, 160), (G6, 320)]
)
def test_choices_are_clear_of_each_other(band: Band, width_mhz: int) -> None:
    """What an assignment may use never overlaps within itself."""
    found = choices(band, width_mhz)
    assert found
    assert not any(share_spectrum(a, b) for a, b in combinations(found, 2))


LOADS = st.lists(st.floats(0.01, 0.5), min_size=1, max_size=5)


@settings(max_examples=40, deadline=None)
@given(LOADS, st.data())
def test_small_sites_get_the_best_there_is(loads: list[float], data: st.DataObject) -> None:
    """No other assignment of 1, 6 and 11 makes the busiest radio less busy (all of them tried)."""
    radios = [Placed(f"r{k}", G2, 20, load) for k, load in enumerate(loads)]
    names = [radio.name for radio in radios]
    pairs = {pair for pair in combinations(names, 2) if data.draw(st.booleans(), label=str(pair))}
    hears = {
        name: tuple(other for other in names if (name, other) in pairs or (other, name) in pairs) for name in names
    }
    found = busiest(radios, assign(radios, hears), hears)
    options = choices(G2, 20)
    least = min(
        busiest(radios, dict(zip(names, chosen, strict=True)), hears) for chosen in product(options, repeat=len(names))
    )
    assert found == pytest.approx(least)


def test_fixed_channels_stay() -> None:
    """A channel that the plan names is kept, and the others go around it."""
    kept = Tuned(G2, 6, 20)
    radios = [Placed("a", G2, 20, 0.3, kept), Placed("b", G2, 20, 0.2), Placed("c", G2, 20, 0.2)]
    hears = {"a": ("b", "c"), "b": ("a", "c"), "c": ("a", "b")}
    tuned = assign(radios, hears)
    assert tuned["a"] == kept
    assert {tuned[name].channel for name in "abc"} == {1, 6, 11}


def test_large_sites_spread_too() -> None:
    """Thirty radios that all hear each other fill three channels evenly, ten on each."""
    names = [f"r{k}" for k in range(30)]
    assert len(names) > EXACT_RADIOS
    hears = {name: tuple(other for other in names if other != name) for name in names}
    tuned = assign([Placed(name, G2, 20, 0.1) for name in names], hears)
    assert sorted([one.channel for one in tuned.values()].count(n) for n in (1, 6, 11)) == [10, 10, 10]


def test_nobody_to_place() -> None:
    """No radios, no channels, nothing busy."""
    assert assign([], {}) == {}
    assert busiest([], {}, {}) == 0.0
