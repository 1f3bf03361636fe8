"""
What a rule is, and what it may say.

A rule looks at a `Case` and yields a `Verdict` for each place where there is something to say; of all other places it says
nothing, and nothing is fine. The words for people stand apart from the judgement: templates filled with its evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.seen import Seen
    from netaudit.audit.standing import Standing
    from netaudit.site.model import Site


class Mark(StrEnum):
    """
    How a place does under one rule.

    HOLDS   the trouble is there: counts towards opening, keeps open
    NEAR    below the limit and above the lower mark: opens nothing, closes nothing
    BLIND   can't be told now: opens nothing, closes nothing
    FOLDED  explained by another verdict of the same rule: opens nothing; an open finding of its own ends in that one
    """

    HOLDS = "holds"
    NEAR = "near"
    BLIND = "blind"
    FOLDED = "folded"


class Weight(StrEnum):
    """How soon a person should look; the order in which findings are shown."""

    NOW = "now"
    SOON = "soon"
    SOMETIME = "sometime"


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    What a rule says of one place.

    words     which of the rule's words fit
    since     since when it is so, as far as is known
    evidence  what it rests on, in order; fills the words
    """

    place: str
    mark: Mark
    words: str = ""
    since: datetime | None = None
    evidence: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """What is the matter and what to do, as templates over the evidence and `place`."""

    text: str
    cure: str


@dataclass(frozen=True, slots=True)
class Case:
    """All that a rule may look at; `open` holds the (rule, place) of the findings that are open."""

    site: Site
    standings: tuple[Standing, ...]
    seen: Seen
    now: datetime
    open: frozenset[tuple[str, str]] = frozenset()

    def is_open(self, rule: str, place: str) -> bool:
        """Say whether a finding of this rule is open there."""
        return (rule, place) in self.open


@dataclass(frozen=True, slots=True)
class Rule:
    """
    One rule.

    key           stored with each finding, a metric's label, a heading of the manual
    question      the owner's question that it answers
    limit_source  where its limit is from
    """

    key: str
    question: str
    limit_source: str
    weight: Weight
    words: Mapping[str, Words]
    judge: Callable[[Case], Iterable[Verdict]]


def age_s(case: Case, at: datetime) -> float:
    """Give the time that has passed since [s]."""
    return (case.now - at).total_seconds()


def lasting(seconds: float) -> str:
    """Write a duration for people, in the largest unit that leaves a whole number above 1: "14 min", "3 h", "2 days"."""
    for name, size_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {name}"
    return f"{seconds:.0f} s"


# What people count or know by another unit: the ledger's unit -> (size of one of theirs, its name, decimals).
_UNITS: Final = {
    "bit/s": (1e6, " Mb/s", 1),
    "B": (1e12, " TB", 2),
    "W": (1.0, " W", 1),
    "share of the time": (0.01, " %", 0),
}


def amount(value: float, unit: str, *, bare: bool = False) -> str:
    """Write an amount of a ledger's line for people: "52 stations", "640.0 Mb/s", "43 %"; bare: only "52" of what counts."""
    size, name, decimals = _UNITS.get(unit, (1.0, "" if bare else f" {unit}", 0))
    return f"{value / size:.{decimals}f}{name}"


def named(place: str) -> str:
    """
    Write a place for people.

    `access_point:hall` is access point hall, `radio:hall/2.4` access point hall (2.4 GHz), `link:switch/shed` the link of
    switch shed, `switch:loft/port:7` switch loft, port 7, `router` the router, `router/port:2` the router, port 2.
    """
    if place == ROUTER:
        return "the router"
    if place.startswith(f"{ROUTER}/port:"):
        return f"the router, port {place.rpartition(':')[2]}"
    kind, _, name = place.partition(":")
    first, _, second = name.partition("/")
    if kind == "segment" and second == "gateway":
        return f"the router's address in network {first}"
    if kind == "segment":
        # The plan's word is not one of the household's.
        return f"network {name}"
    if kind == "radio":
        return f"access point {first} ({second} GHz)"
    if kind == "link":
        return f"the link of {first.replace('_', ' ')} {second}" if second else f"the link {first}"
    if second.startswith("port:"):
        return f"{kind} {first}, port {second.removeprefix('port:')}"
    return f"{kind.replace('_', ' ')} {name}".strip()
