from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.propagation import (
    BAND_MHZ,
    METAL_DB,
    Environment,
    free_space_db,
    indoor_loss_db,
    penetration_loss_db,
    slab_loss_db,
    task_group_home_db,
    task_group_office_db,
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
    assert loss >= free_space_db(mhz, metres) - 0.5


def test_ten_times_as_far_in_a_house() -> None:
    """N = 28 in a house (P.1238 Table 2): 28 dB for ten times the distance, 8.4 for twice; below 1 m nothing changes."""
    assert indoor_loss_db(2437, 20) - indoor_loss_db(2437, 2) == pytest.approx(28)
    assert indoor_loss_db(2437, 10) - indoor_loss_db(2437, 5) == pytest.approx(28 * math.log10(2))
    assert indoor_loss_db(2437, 0.1) == indoor_loss_db(2437, 1)


@given(METRES, st.integers(0, 3), st.integers(0, 6))
def test_two_models_of_a_home_agree_roughly(metres: float, floors: int, walls: int) -> None:
    """Walls cost 5 dB each in the task group's model, and its distance term stays within 20 dB of P.1238's."""
    plain = task_group_home_db(2437, metres, floors)
    assert task_group_home_db(2437, metres, floors, walls) - plain == pytest.approx(5 * walls)
    assert abs(task_group_home_db(2437, metres) - indoor_loss_db(2437, metres)) < 20


def test_offices_lose_less_near_and_more_through_walls() -> None:
    """The office model breaks at 10 m, the home one at 5 m; its walls cost 7 dB."""
    assert task_group_office_db(5250, 10) < task_group_home_db(5250, 10)
    assert task_group_office_db(5250, 10, 2) - task_group_office_db(5250, 10) == pytest.approx(14)


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


@pytest.mark.parametrize(
    "call",
    [
        lambda: free_space_db(2437, 0),
        lambda: indoor_loss_db(900, 10),
        lambda: indoor_loss_db(28_000, 10),
        lambda: indoor_loss_db(2437, 10, -1),
        lambda: indoor_loss_db(1800, 10, 0, Environment.COMMERCIAL),
        lambda: slab_loss_db("felt", 0.1, 2437),
        lambda: slab_loss_db("wood", 0, 2437),
        lambda: wall_loss_db("felt", Band.GHZ_5),
        lambda: penetration_loss_db("felt", 2437),
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
