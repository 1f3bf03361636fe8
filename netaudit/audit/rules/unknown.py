"""Devices for which the plan has no place."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.presence import Presence
    from netaudit.audit.rules.rule import Case

# More at once on one segment are one event: a delivery, a party, a loop to another network. common practice, no source
MOST_ONE_BY_ONE: Final = 3
# Second-least bit of the first octet: the MAC is made up by the device (IEEE 802-2014, 8.2.2).
_LOCAL: Final = 0b10


def judge(case: Case) -> Iterator[Verdict]:
    """Say who is here without a place in the plan; many at once on a segment are said together."""
    strangers: defaultdict[str, list[Presence]] = defaultdict(list)
    for one in case.seen.present:
        if not one.expected:
            strangers[one.segment].append(one)
    for segment, listed in strangers.items():
        together = f"segment:{segment}"
        # What is open together ends together: a group that shrinks doesn't become single findings.
        if len(listed) > MOST_ONE_BY_ONE or case.is_open("unknown", together):
            yield _many(together, segment, listed)
            yield from (Verdict(one.place, Mark.FOLDED) for one in listed)
        else:
            yield from (_one(one) for one in listed)


def is_made_up(mac: str) -> bool:
    """Say whether a MAC is locally administered, as telephones make them up for privacy."""
    return bool(int(mac[:2], 16) & _LOCAL)


def _one(one: Presence) -> Verdict:
    evidence = (
        ("mac", one.mac),
        ("address", one.address or "no address"),
        ("segment", one.segment),
        ("made_up", "yes" if is_made_up(one.mac) else "no"),
    )
    return Verdict(one.place, Mark.HOLDS, "one", one.since, evidence)


def _many(place: str, segment: str, listed: list[Presence]) -> Verdict:
    macs = ", ".join(one.mac for one in listed[:20]) + (", ..." if len(listed) > 20 else "")
    evidence = (("count", str(len(listed))), ("segment", segment), ("macs", macs))
    return Verdict(place, Mark.HOLDS, "many", min(one.since for one in listed), evidence)


UNKNOWN: Final = Rule(
    key="unknown",
    question="Is anything here that we don't know?",
    limit_source="the plan's devices and counts",
    weight=Weight.SOON,
    words={
        "one": Words(
            "A device that the plan doesn't know is on network {segment}: {mac}, {address}",
            "Find out whose it is; add it to the plan, or give it no way in.",
        ),
        "many": Words(
            "{count} devices that the plan doesn't know are on network {segment}",
            "Find out what happened: new devices belong in the plan; a cable between two networks must go.",
        ),
    },
    judge=judge,
)
