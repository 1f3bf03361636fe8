"""Radios: stations and busy share against the share that we plan to use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.confidence import Stand, percentile_claim

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial
    from netaudit.site.model import Radio

LISTEN: Final = "Listen beside the access point, or read its page and waive this with your name."


def _radios(trial: Trial) -> Iterator[tuple[str, Radio]]:
    for name, point in trial.site.access_point.items():
        for radio in point.radio:
            yield f"radio:{name}/{radio.band}", radio


def judge_stations(trial: Trial) -> Iterator[Item]:
    """Ask whether the most stations that a radio told of lie under the planned share of what it admits."""
    for place, radio in _radios(trial):
        told = trial.answered(place, vocabulary.STATIONS)
        limit = trial.site.ceilings.stations * radio.association_limit
        if not told:
            yield untested(place, f"it told no number; {limit:g} of {radio.association_limit} may be used", LISTEN)
            continue
        said = f"{max(told):g} stations at most; {limit:g} of {radio.association_limit} may be used"
        if max(told) <= limit:
            yield passed(place, said)
        else:
            yield failed(place, said, "Move stations to another access point or band, or add an access point.")


def judge_airtime(trial: Trial) -> Iterator[Item]:
    """Ask whether the radio's channel is busy for less than the planned share for at least half of the time."""
    limit = trial.site.ceilings.airtime
    for place, _ in _radios(trial):
        told = trial.answered(place, vocabulary.BUSY_SHARE)
        if not told:
            yield untested(place, "it told no busy share", LISTEN)
            continue
        claim = percentile_claim(told, 50, limit)
        said = f"median busy share {100 * claim.value:.0f} % of {claim.count} readings, {100 * limit:.0f} % may be used"
        if claim.stand is Stand.KEPT:
            yield passed(place, said)
        elif claim.stand is Stand.BROKEN:
            yield failed(place, said, "Take slow or chatty devices off this channel, or choose another channel.")
        else:
            yield untested(place, f"{said}; {claim.more or 'many'} more readings would settle it", "Look for longer.")


STATIONS: Final = Check("stations", "Has no radio too many stations?", "the plan's ceiling", judge_stations)
AIRTIME: Final = Check(
    "airtime",
    "Is each channel free enough?",
    "the plan's ceiling; IEEE 802.11-2016, 9.4.2.28 BSS Load; median by order statistics",
    judge_airtime,
)
