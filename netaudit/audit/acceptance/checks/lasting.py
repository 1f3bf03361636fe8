"""What must last: everything comes back after a restart, and alerts arrive where people see them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.checks.presence import known_as
from netaudit.audit.acceptance.restart import not_back, owing, restarted_at, seen_well_after

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial


_CURE: Final = "Look at the channel's address and its secret."


def judge_restart(trial: Trial) -> Iterator[Item]:
    """Ask whether all who were there before the last restart were seen well after it. An optional step."""
    at = restarted_at(trial)
    if at is None:
        yield untested("site", "nothing was switched off and on", "Optional: --restart WHAT.")
        return
    waited_s = (trial.evidence.until - at).total_seconds()
    if not seen_well_after(trial, at):
        yield untested("site", f"nothing was seen late in the {waited_s:.0f} s after it", "Look for longer.")
        return
    gone = sorted(known_as(thing) for thing in not_back(trial))
    if gone:
        yield failed(
            "site",
            f"not back {waited_s:.0f} s after the restart: {', '.join(gone)}",
            "See that each starts by itself and joins again.",
        )
    else:
        there = len(owing(trial, at))
        yield passed(
            "site",
            f"all {there} that the plan expects and that were there before were seen within {waited_s:.0f} s after it",
        )


def judge_alerts(trial: Trial) -> Iterator[Item]:
    """Ask whether a test message arrived on each channel of the plan, by the word of the person who saw it."""
    told = {one.place: dict(one.detail) for one in trial.told(words.ALERT)}
    for name in trial.site.alert:
        place = f"alert:{name}"
        detail = told.get(place)
        if detail is None or detail.get("arrived") == "unsaid":
            sent = "a test message was sent; " if detail else ""
            yield untested(
                place,
                f"{sent}nobody said that a message arrived",
                f"Run netaudit alert; then --alert-seen {name}=NAME.",
            )
        elif detail.get("arrived") == "yes":
            yield passed(place, f"a test message arrived, seen by {detail.get('by', 'nobody named')}")
        elif detail.get("trouble"):
            yield failed(place, f"a test message was not sent: {detail['trouble']}", _CURE)
        else:
            yield failed(place, "a test message did not arrive", _CURE)


RESTART: Final = Check("restart", "Does everything come back after a restart?", "common practice", judge_restart)
ALERTS: Final = Check("alerts", "Do alerts arrive?", "common practice", judge_alerts)
