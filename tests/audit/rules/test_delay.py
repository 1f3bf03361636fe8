from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from netaudit.audit.rules.delay import SIGNIFICANCE, SLOW, tail, without_outages
from netaudit.audit.rules.rule import Mark
from tests.audit.scene import BOX, KILN, PHONE, SAW, Scene, stranger

GATEWAY = "segment:home/gateway"


@given(st.integers(0, 400), st.integers(1, 400), st.floats(0.0, 0.5))
@settings(max_examples=200, deadline=None)
def test_the_tail_is_the_binomial_laws(hits: int, trials: int, chance: float) -> None:
    """Equal to scipy's survival function."""
    assert tail(hits, trials, chance) == pytest.approx(float(binom.sf(hits - 1, trials, chance)), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("signs", "asked", "lost"),
    [
        ("+" * 60, 60, 0),
        ("+++-+++", 7, 1),
        ("+++------+++", 6, 0),  # an outage
        ("+--+-----+", 5, 2),
        ("-----+-----+-----", 17, 15),  # three long runs are no outages any more
    ],
)
def test_outages_are_not_loss(signs: str, asked: int, lost: int) -> None:
    """One or two long runs of lost echoes are cut out; more of them count."""
    assert without_outages([sign == "+" for sign in signs]) == (asked, lost)


def test_a_promise_kept_is_no_finding() -> None:
    """An hour with one lost of sixty (1.7 %) says nothing of a promise of 1 %: never opens."""
    scene = Scene().everybody().tell(f"device:{BOX}", "rtt_s", [0.002] * 30 + [None] + [0.002] * 29)
    assert scene.holds(SLOW) == {}


def test_loss_that_chance_can_not_explain_is_found() -> None:
    """Every sixth lost of three hundred and sixty breaks a promise of 1 %, at the gateway and at a server alike."""
    values = [0.002, 0.002, 0.002, 0.002, 0.002, None] * 60
    for place, where in ((GATEWAY, GATEWAY), (f"device:{BOX}", "device:box")):
        assert Scene().everybody().tell(place, "rtt_s", values, every_s=10).holds(SLOW) == {where: "loss"}


def test_telephones_owe_no_answer() -> None:
    """The same loss of a telephone that may be absent is no finding; its slowness is."""
    values = [0.002, 0.002, 0.002, 0.002, 0.002, None] * 10
    assert Scene().everybody().tell(f"device:{PHONE}", "rtt_s", values).holds(SLOW) == {}
    slow = [0.002, 0.03] * 30
    assert Scene().everybody().tell(f"device:{PHONE}", "rtt_s", slow).holds(SLOW) == {"device:phone": "rtt"}


def test_strangers_are_promised_nothing() -> None:
    """Who is not of the plan may be as slow as it likes."""
    assert Scene().here(stranger(5), "home").tell(f"device:{stranger(5)}", "rtt_s", [0.5] * 60).ask(SLOW) == []


def test_one_slow_echo_is_no_jitter_and_many_are() -> None:
    """Jitter is judged without its largest twentieth."""
    one = [0.001] * 30 + [3.0] + [0.001] * 29
    assert Scene().everybody().tell(GATEWAY, "rtt_s", one).holds(SLOW) == {}
    # Between 1 and 19 ms: no answer is above 20 ms, and neighbours differ by 18 ms; 10 ms are promised.
    many = [0.001, 0.019] * 30
    assert Scene().everybody().tell(GATEWAY, "rtt_s", many).holds(SLOW) == {GATEWAY: "jitter"}


def test_several_slow_places_are_told_together() -> None:
    """Three at once on a segment are the segment's finding, and stay that while it is open."""
    scene = Scene().everybody()
    for mac in (BOX, SAW, KILN):
        scene.tell(f"device:{mac}", "rtt_s", [0.05] * 60)
    assert scene.holds(SLOW) == {"segment:home": "segment"}
    one = Scene().everybody().tell(f"device:{BOX}", "rtt_s", [0.05] * 60)
    assert one.holds(SLOW) == {"device:box": "rtt"}
    assert one.holds(SLOW, is_open=[("slow", "segment:home")]) == {"segment:home": "segment"}


def test_who_is_away_is_not_slow() -> None:
    """A device whose echoes are all lost because it left is for the missing rule."""
    found = Scene().everybody(BOX).tell(f"device:{BOX}", "rtt_s", [0.5] * 20 + [None] * 40).ask(SLOW)
    assert [(one.place, one.mark) for one in found] == [("device:box", Mark.BLIND)]


def test_chance_alone_seldom_opens_a_finding() -> None:
    """At exactly the promised loss, 4,000 seeded hours hold no finding: each has a chance below one in a million."""
    dice = random.Random(11)
    assert 4000 * SIGNIFICANCE < 0.01
    for _ in range(4000):
        lost = sum(dice.random() < 0.01 for _ in range(60))
        assert tail(lost, 60, 0.01) >= SIGNIFICANCE
