"""Who came back after something was switched off and on, and who did not: what several checks must agree on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.audit.acceptance import words

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.acceptance.check import Trial
    from netaudit.audit.roster import Thing


def restarted_at(trial: Trial) -> datetime | None:
    """Give the moment of the last restart that was asked for."""
    return max((one.at for one in trial.told(words.RESTART)), default=None)


def not_back(trial: Trial) -> tuple[Thing, ...]:
    """
    Give who was there before the last restart and was not seen in the latter half of the time after it.

    Not sooner: it takes a while until somebody has switched off what he was told to, and till then all are there as before.
    Who comes and goes, or sleeps, owes no return.
    """
    at = restarted_at(trial)
    if at is None:
        return ()
    after = seen_well_after(trial, at)
    return tuple(thing for thing in owing(trial, at) if after and not after.intersection(trial.found[thing.ref]))


def seen_well_after(trial: Trial, at: datetime) -> frozenset[str]:
    """Give the MACs that were seen in the latter half of the time after a restart."""
    late = at + (trial.evidence.until - at) / 2
    return frozenset(one.mac for one in trial.evidence.sightings if one.at > late)


def owing(trial: Trial, at: datetime) -> list[Thing]:
    """Give who was there before a restart and owes a return."""
    before = {one.mac for one in trial.evidence.sightings if one.at < at}
    seen = [trial.roster.by_ref[ref] for ref, macs in trial.found.items() if before.intersection(macs)]
    return [thing for thing in seen if thing.watched and not thing.sleeps]
