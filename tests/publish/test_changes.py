"""What changed: who is new, missing or back, and that in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from netaudit.audit.roster import enrol
from netaudit.publish.changes import change_words, changes_of
from netaudit.publish.views import FindingView
from tests.publish.samples import MONDAY, NOW, plan

SITE = plan('[closet.c]\n[switch.barn]\n[device.desk]\nkind = "desktop"\nlabel = "the desk"\n')
GONE = FindingView("missing", "device:desk", "silent", "", MONDAY, None)
WEEK = (NOW - timedelta(days=7), NOW)
DAY = timedelta(days=1)


def said_of(*findings: FindingView) -> tuple[list[str], list[str]]:
    """Give the changes of the week, and what is said of them."""
    changes = changes_of(SITE, enrol(SITE), (), findings, WEEK)
    return [one.change for one in changes], change_words(SITE, changes, findings, WEEK)


def test_who_went_missing_before_the_week_and_came_back_in_it_is_back() -> None:
    """The week in which something is back says so, whenever it went; the week before said that it was missing."""
    assert WEEK[0] > GONE.opened_at
    assert said_of(GONE) == ([], [])
    changes, said = said_of(replace(GONE, closed_at=NOW - DAY))
    assert changes == ["back"]
    assert said == ["1 device is back again: the desk.", "1 finding was settled."]


def test_what_a_wider_finding_tells_is_not_back() -> None:
    """A lamp behind a dead switch is told with it from then on: neither back nor settled, and still missing."""
    folded = replace(GONE, opened_at=NOW - 2 * DAY, closed_at=NOW - DAY, merged=True)
    changes, said = said_of(folded)
    assert changes == ["missing"]
    assert said == ["1 device is missing: the desk.", "1 finding was opened."]
