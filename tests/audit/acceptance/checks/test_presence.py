"""Who is there, where the plan counts devices that it knows by neither MAC nor address."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.acceptance.check import Outcome, prepare
from netaudit.audit.acceptance.checks.presence import judge_presence, judge_unknown
from netaudit.audit.acceptance.evidence import freeze
from netaudit.observe.observation import Sighting
from netaudit.site.load import parse_site
from tests.audit.acceptance.house import BEGAN, ENDED, PLAN, STRANGER, as_planned, edit, without

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from netaudit.audit.acceptance.check import Item, Trial
    from netaudit.observe.observation import Observation

PLUGS = tuple(f"02:00:5e:00:53:0{number}" for number in range(3))
COUNTED = PLAN.replace('mac = ["{}", "{}", "{}"]\n'.format(*PLUGS), "")


def of_things(judge: Callable[[Trial], Iterator[Item]], seen: Iterable[Observation], plan: str = COUNTED) -> Item:
    """Give what a check says of the segment whose plugs are only counted."""
    trial = prepare(parse_site(plan), freeze(seen, BEGAN, ENDED))
    return next(item for item in judge(trial) if item.place == "segment:things")


def a_stranger_for(seen: Iterable[Observation], mac: str) -> list[Observation]:
    """Put a stranger where a device was."""
    return edit(seen, Sighting, lambda one: one.mac == mac, mac=STRANGER)


def test_the_house_counts_its_plugs() -> None:
    """Without their MACs the plan knows the plugs no more."""
    assert COUNTED != PLAN


def test_as_many_as_planned_may_be_others() -> None:
    """Three plugs and a stranger in the place of one look the same: neither is said to be there, and what would tell is named."""
    right = of_things(judge_presence, as_planned())
    wrong = of_things(judge_presence, a_stranger_for(as_planned(), PLUGS[0]))
    assert right == wrong
    assert right.outcome is Outcome.NOT_TESTED
    assert "devices without a name: 3 here, 3 planned" in right.evidence
    assert "can't be told" in right.evidence
    assert "MAC" in right.cure


@pytest.mark.parametrize(("absent", "outcome"), [(False, Outcome.FAILED), (True, Outcome.NOT_TESTED)])
def test_fewer_than_planned_is_proof_unless_they_may_be_absent(absent: bool, outcome: Outcome) -> None:  # noqa: FBT001 - a row
    """Two of three: one is missing, whoever the two are; where they may be absent nobody can say so."""
    plan = COUNTED.replace("count = 3\n", "count = 3\nmay_be_absent = true\n") if absent else COUNTED
    assert of_things(judge_presence, without(as_planned(), PLUGS[0]), plan).outcome is outcome


def test_more_than_planned_is_proof_of_a_stranger() -> None:
    """A fourth where three are counted is nobody of the plan, though it can't be told which of the four."""
    one_more = [*as_planned(), *a_stranger_for((one for one in as_planned() if isinstance(one, Sighting)), PLUGS[0])]
    assert of_things(judge_unknown, one_more).outcome is Outcome.FAILED
    assert of_things(judge_unknown, as_planned()).outcome is Outcome.PASSED


def test_many_strangers_are_listed_in_part_and_counted() -> None:
    """Eight where three are counted: five by their MACs, and how many more there are; the sentence ends as one."""
    like = next(one for one in as_planned() if isinstance(one, Sighting) and one.mac == PLUGS[0])
    more = [replace(like, mac=f"02:00:5e:00:54:0{number}", address=None) for number in range(5)]
    said = of_things(judge_unknown, [*as_planned(), *more]).evidence
    assert said.startswith("8 devices that the plan doesn't know, 3 planned: ")
    assert said.endswith(" and 3 more")
