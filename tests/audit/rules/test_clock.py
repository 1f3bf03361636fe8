from __future__ import annotations

import pytest

from netaudit.audit.rules.clock import CLOCK
from netaudit.audit.rules.rule import Mark
from netaudit.site.load import parse_site
from tests.audit.scene import PLAN, Scene

TIME = "service:time"


# The limit of 0.128 s is RFC 5905's step threshold; half of the round trip of 0.01 s may be error and is added.
@pytest.mark.parametrize(
    ("offsets_s", "mark"),
    [
        ([0.001, -0.002, 0.0], None),
        ([5.0, 5.0, 5.0], Mark.HOLDS),
        ([-0.134, -0.134, -0.134], Mark.HOLDS),
        ([0.132, 0.132, 0.132], Mark.NEAR),
        ([0.0, 5.0, 0.0], None),
        ([5.0, 5.0, 0.001], None),
    ],
)
def test_a_clock_that_is_off_at_each_of_three_answers_is_found(offsets_s: list[float], mark: Mark | None) -> None:
    """Either way round; one answer that was late on its way is nothing, and one that is right ends it."""
    scene = Scene().tell(TIME, "ntp_offset_s", offsets_s, every_s=300).tell(TIME, "ntp_s", [0.01] * 3, every_s=300)
    assert [one.mark for one in scene.ask(CLOCK)] == ([mark] if mark else [])


def test_the_words_say_which_way_round() -> None:
    """The server's clock minus ours above zero: ours is behind."""
    (behind,) = Scene().tell(TIME, "ntp_offset_s", [5.0] * 3, every_s=300).ask(CLOCK)
    (ahead,) = Scene().tell(TIME, "ntp_offset_s", [-5.0] * 3, every_s=300).ask(CLOCK)
    assert (dict(behind.evidence)["way"], dict(ahead.evidence)["way"]) == ("behind", "ahead of")


def test_a_long_way_there_and_back_is_doubt_and_no_offset() -> None:
    """An offset of 0.3 s seen over a round trip of 0.8 s may be the way's alone."""
    scene = Scene().tell(TIME, "ntp_offset_s", [0.3] * 3, every_s=300).tell(TIME, "ntp_s", [0.8] * 3, every_s=300)
    assert scene.holds(CLOCK) == {}


def test_a_server_that_is_silent_leaves_it_as_it_is() -> None:
    """Without a fresh answer nothing can be told."""
    asked = parse_site(PLAN + '[services]\ntime_server = "192.0.2.1"\n')
    assert [one.mark for one in Scene(site=asked).ask(CLOCK, is_open=[("clock_off", TIME)])] == [Mark.BLIND]
    assert Scene().ask(CLOCK, is_open=[("clock_off", TIME)]) == []
    stale = Scene().tell(TIME, "ntp_offset_s", [5.0, *[None] * 5], every_s=300)
    assert [one.mark for one in stale.ask(CLOCK)] == [Mark.BLIND]
