from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.propagation import (
    BAND_MHZ,
    METAL_DB,
    Environment,
    indoor_loss_db,
    slab_loss_db,
    wall_loss_db,
)
from netaudit.capacity.rates import Band
from netaudit.errors import OutOfRange

MHZ = st.floats(2400, 7125)
METRES = st.floats(1, 200)


@given(MHZ, METRES, st.floats(0, 50), st.integers(0, 5), st.sampled_from([Environment.HOUSE, Environment.OFFICE]))
def test_farther_and_more_floors_never_lose_less(
    mhz: float, metres: float, more: float, floors: int, kind: Environment
) -> None:
    """Loss rises with distance and floors, and is never below free space by more than rounding."""
    loss = indoor_loss_db(mhz, metres, floors, kind)
    assert indoor_loss_db(mhz, metres + more, floors, kind) >= loss
    assert indoor_loss_db(mhz, metres, floors + 1, kind) > loss
    # P.1238 starts from 28.0 where Friis has 27.55.
    assert loss >= 20 * math.log10(mhz) + 20 * math.log10(metres) - 27.55 - 0.5


def test_ten_times_as_far_in_a_house() -> None:
    """N = 28 in a house (P.1238 Table 2): 28 dB for ten times the distance, 8.4 for twice; below 1 m nothing changes."""
    assert indoor_loss_db(2437, 20) - indoor_loss_db(2437, 2) == pytest.approx(28)
    assert indoor_loss_db(2437, 10) - indoor_loss_db(2437, 5) == pytest.approx(28 * math.log10(2))
    assert indoor_loss_db(2437, 0.1) == indoor_loss_db(2437, 1)


# Lossless slab of n^2 = 4 at half a wavelength inside is transparent (Fabry-Perot); P.2040's materials all lose a little.
@pytest.mark.parametrize(
    "material", ["concrete", "brick", "plasterboard", "wood", "glass", "ceiling board", "chipboard"]
)
@given(thickness_m=st.floats(0.001, 0.5), mhz=MHZ)
def test_no_slab_amplifies(material: str, thickness_m: float, mhz: float) -> None:
    """What comes through a passive slab is never more than what went in."""
    assert slab_loss_db(material, thickness_m, mhz) >= -1e-9


@given(st.floats(0.15, 0.5), MHZ)
def test_thick_concrete_loses_by_its_own_attenuation(thickness_m: float, mhz: float) -> None:
    """Behind the ripples a slab twice as thick loses about twice as much inside: 2 x (loss - 2 faces), within 3 dB."""
    faces_db = 2 * -10 * math.log10(1 - abs((1 - math.sqrt(5.24)) / (1 + math.sqrt(5.24))) ** 2)
    one, two = (slab_loss_db("concrete", part, mhz) for part in (thickness_m, 2 * thickness_m))
    assert two - faces_db == pytest.approx(2 * (one - faces_db), abs=3.5)


def test_only_concrete_changes_much_with_the_band() -> None:
    """200 mm of concrete: about 14.8 dB at 2.4 and 25.6 at 5.25 GHz (P.2040); other walls change by 3 dB or less."""
    change = {
        material: wall_loss_db(material, Band.GHZ_5) - wall_loss_db(material, Band.GHZ_2_4)
        for material in ("concrete", "brick", "plasterboard", "wood", "glass")
    }
    assert change.pop("concrete") > 10
    assert all(abs(less) <= 3 for less in change.values())
    assert wall_loss_db("metal", Band.GHZ_5) == METAL_DB


# 3GPP TR 38.901 Table 7.4.3-1: 23 + 0.3 f; a plain pane by P.2040 loses under 3 dB.
def test_a_pane_that_keeps_heat_keeps_the_network_too() -> None:
    """Coated glass loses more than any wall but concrete and metal, on every band."""
    for band in Band:
        coated = wall_loss_db("coated glass", band)
        assert coated == pytest.approx(23 + 0.3 * BAND_MHZ[band] / 1000)
        assert wall_loss_db("glass", band) + 15 < coated < METAL_DB


@pytest.mark.parametrize(
    "call",
    [
        lambda: indoor_loss_db(900, 10),
        lambda: indoor_loss_db(28_000, 10),
        lambda: indoor_loss_db(2437, 10, -1),
        lambda: indoor_loss_db(1800, 10, 0, Environment.COMMERCIAL),
        lambda: slab_loss_db("felt", 0.1, 2437),
        lambda: slab_loss_db("wood", 0, 2437),
        lambda: wall_loss_db("felt", Band.GHZ_5),
    ],
)
def test_outside_their_range_the_models_say_no(call: object) -> None:
    """Unknown materials, frequencies and lengths are refused, not guessed."""
    assert callable(call)
    with pytest.raises(OutOfRange):
        call()


def test_bands_lie_in_their_bands() -> None:
    """2400 to 2500, 5150 to 5925, 5925 to 7125 MHz."""
    assert 2400 < BAND_MHZ[Band.GHZ_2_4] < 2500
    assert 5150 < BAND_MHZ[Band.GHZ_5] < 5925
    assert 5925 < BAND_MHZ[Band.GHZ_6] < 7125
