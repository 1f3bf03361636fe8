from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import voice
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable

# ITU-T G.107 Table B.1: R, MOS as printed (80 is printed 4.03 and computes to 4.024: published rounding differs).
TABLE_B1 = [(90, 4.34), (80, 4.03), (70, 3.60), (60, 3.10), (50, 2.58)]


@pytest.mark.parametrize(("r", "mos"), TABLE_B1)
def test_scores_are_those_the_recommendation_prints(r: float, mos: float) -> None:
    """Each score of Table B.1 to the printed digit."""
    assert voice.mos_of_r(r) == pytest.approx(mos, abs=0.0061)


@given(st.floats(6.5153, 100.0))
def test_the_inverse_undoes_the_score(r: float) -> None:
    """From R to a score and back is where one started, over the whole range in which the score rises."""
    assert voice.r_of_mos(voice.mos_of_r(r)) == pytest.approx(r, abs=1e-4)


@given(st.floats(0.0, 2.0), st.floats(0.0, 1.0), st.floats(0.0, 0.5), st.floats(0.0, 0.5))
def test_more_delay_or_loss_never_helps(delay_s: float, loss: float, more_s: float, more: float) -> None:
    """A call with more delay or more loss is rated no better."""
    here = voice.rate_call(one_way_s=delay_s, loss=loss, bpl=25.1)
    # Below 10 ms the echo term of G.107 7.4 has a dip of its own; the law is one of calls between two places.
    if delay_s >= 0.01:
        assert voice.rate_call(one_way_s=delay_s + more_s, loss=loss, bpl=25.1).r <= here.r + 1e-9
    assert voice.rate_call(one_way_s=delay_s, loss=min(1.0, loss + more), bpl=25.1).r <= here.r + 1e-9


@given(st.floats(0.0, 0.3))
def test_the_two_models_agree(delay_s: float) -> None:
    """The simplified model stays within 4 of the full one up to 300 ms without loss (it is a fit to it)."""
    full = voice.rate_call(one_way_s=delay_s)
    simple = voice.rate_call_simply(one_way_s=delay_s, loss=0.0, ie=0.0, bpl=25.1)
    assert simple.r == pytest.approx(full.r, abs=4.0)


def test_bursts_hurt_more_than_random_loss() -> None:
    """The same loss in bursts is rated lower (G.107 7.5)."""
    random = voice.equipment_impairment(loss=0.05, ie=0.0, bpl=25.1)
    assert voice.equipment_impairment(loss=0.05, ie=0.0, bpl=25.1, burst_ratio=2.0) > random


def test_mouth_to_ear_counts_packet_and_buffer() -> None:
    """20 ms packets, 5 ms of look-ahead, 10 ms of network and 40 ms of buffer are 75 ms."""
    codec = voice.CODECS["G.729A + VAD"]
    assert voice.mouth_to_ear_s(codec, network_one_way_s=0.010, jitter_buffer_s=0.040) == pytest.approx(0.075)


def test_sidetone_corrections_join_smoothly() -> None:
    """At the default 15 dB neither correction acts; a very loud sidetone changes the talker echo, a weak one adds to it."""
    quiet = voice.rate_call(one_way_s=0.1, terminal=voice.Terminal(stmr=25.0))
    loud = voice.rate_call(one_way_s=0.1, terminal=voice.Terminal(stmr=5.0))
    usual = voice.rate_call(one_way_s=0.1)
    assert quiet.delay > usual.delay
    assert loud.r < usual.r


@pytest.mark.parametrize("r", [-20.0, 0.0, 49.9])
def test_below_fifty_is_not_recommended(r: float) -> None:
    """G.109 has no category below 50."""
    assert voice.satisfaction(r) == voice.NOT_RECOMMENDED


def test_what_is_impossible_is_refused() -> None:
    """Negative delays, losses above one, scores outside 1 to 4.5 and a robustness of nothing raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: voice.rate_call(one_way_s=-0.1),
        lambda: voice.rate_call(one_way_s=float("nan")),
        lambda: voice.rate_call(loss=1.1),
        lambda: voice.rate_call(bpl=0.0),
        lambda: voice.rate_call_simply(one_way_s=-1.0, loss=0.0, ie=0.0, bpl=4.3),
        lambda: voice.r_of_mos(4.6),
        lambda: voice.mouth_to_ear_s(voice.CODECS["G.729A + VAD"], network_one_way_s=-1.0, jitter_buffer_s=0.0),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
