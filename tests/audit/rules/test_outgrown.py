from __future__ import annotations

import math

import pytest

from netaudit.audit.rules.outgrown import BUSY_AIR, OUTGROWN
from netaudit.audit.rules.rule import Mark, Rule, Verdict
from netaudit.audit.standing import Observed, Standing
from netaudit.capacity.line import Kind, Line
from tests.audit.scene import NOW, Scene


def standing(
    kind: Kind, place: str, observed: float | None, *, supply: float = 100.0, unit: str = "things"
) -> Standing:
    line = Line(kind, place, unit, supply, 0.8, "practice", planned=10.0, grown=12.0, basis="test")
    return Standing(line, None if observed is None else Observed(observed, None, NOW, "counted"))


def ask(rule: Rule, *standings: Standing) -> list[Verdict]:
    return list(rule.judge(Scene().case(standings)))


@pytest.mark.parametrize(
    ("observed", "mark"),
    [(10.0, None), (72.0, None), (72.1, Mark.NEAR), (80.0, Mark.NEAR), (80.1, Mark.HOLDS), (150.0, Mark.HOLDS)],
)
def test_the_limit_is_the_planned_share_and_the_lower_mark_nine_tenths_of_it(
    observed: float, mark: Mark | None
) -> None:
    """Of 100 with a ceiling of 80 %: above 80 holds, from 72 to 80 is near, below is fine."""
    found = ask(OUTGROWN, standing(Kind.STATIONS, "radio:a/5", observed))
    assert [one.mark for one in found] == ([mark] if mark else [])


def test_what_nobody_measured_can_not_be_told() -> None:
    """An unmeasured line keeps its finding as it is, and an endless supply is never outgrown."""
    assert [one.mark for one in ask(OUTGROWN, standing(Kind.POWER, "switch:a", None))] == [Mark.BLIND]
    assert ask(OUTGROWN, standing(Kind.DEVICE_COUNT, "segment:a", 1e9, supply=math.inf)) == []


def test_the_lines_of_a_place_speak_with_one_voice() -> None:
    """Power and ports of one switch are one verdict: the worse in front, the other in its evidence."""
    (found,) = ask(
        OUTGROWN,
        standing(Kind.POWER, "switch:a", 85.0, unit="W"),
        standing(Kind.PORTS, "switch:a", 95.0, unit="ports"),
    )
    assert (found.words, dict(found.evidence)["in_use"]) == ("ports", "95 ports")
    assert dict(found.evidence)["also_power"] == "85.0 W, 80.0 W planned"


def test_the_air_is_a_question_of_its_own_and_asked_of_radios() -> None:
    """Busy air at a radio is found by its own rule; the channel's line, which repeats it, is silent."""
    lines = (standing(Kind.AIRTIME, "radio:a/5", 95.0), standing(Kind.AIRTIME, "channel:5/36", 95.0))
    assert ask(OUTGROWN, *lines) == []
    assert [one.place for one in ask(BUSY_AIR, *lines)] == ["radio:a/5"]


def test_nothing_planned_and_something_there_is_too_much() -> None:
    """A supply of nothing is outgrown by anything, and by nothing it is not."""
    assert [one.mark for one in ask(OUTGROWN, standing(Kind.POWER, "switch:a", 1.0, supply=0.0))] == [Mark.HOLDS]
    assert ask(OUTGROWN, standing(Kind.POWER, "switch:a", 0.0, supply=0.0)) == []
