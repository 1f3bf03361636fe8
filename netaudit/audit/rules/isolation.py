"""Between segments: one that reaches what it must not, or doesn't reach what it may. Known only from trying it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named
from netaudit.audit.seen import REPEATS_KEPT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case
    from netaudit.store.records import Heard, Reading


def judge_breach(case: Case) -> Iterator[Verdict]:
    """Say which segment reached hosts of another one against the plan, in the latest round that was tried."""
    for name in case.site.segment:
        place = f"segment:{name}"
        latest = _round(case, place)
        if latest is None:
            yield from _untried(case, "isolation_breach", place)
            continue
        # The number is the round's own; which hosts they were is told beside it, the latest first.
        count = round(latest.value or 0)
        if count < 1:
            continue
        said = _by_target(case, vocabulary.ISOLATION_BREACH, place)[:count]
        hosts = ", ".join(f"{_target(one)} ({dict(one.detail).get('by', '?')})" for one in said) or "hosts of others"
        began = min((one.first_at for one in said), default=latest.at)
        evidence = (("segment", name), ("count", str(count)), ("hosts", hosts), ("tried", latest.at.isoformat()))
        yield Verdict(place, Mark.HOLDS, "breach", began, evidence)


def judge_reach(case: Case) -> Iterator[Verdict]:
    """Say which segment didn't reach hosts that the plan lets it reach, though these were there."""
    for name in case.site.segment:
        place = f"segment:{name}"
        latest = _round(case, place)
        if latest is None:
            yield from _untried(case, "unreached", place)
            continue
        current: list[Heard] = []
        unsure = False
        for one in _by_target(case, vocabulary.REACH_MISSING, place):
            if one.last_at >= latest.at:
                # A host that is silent to everybody is missing, which is another finding.
                gone = _is_gone(case, dict(one.detail).get("target", ""))
                unsure |= gone
                current += [] if gone else [one]
            else:
                unsure |= latest.at - one.last_at <= REPEATS_KEPT
        if current:
            hosts = ", ".join(f"{_target(one)} ({dict(one.detail).get('answer', 'silent')})" for one in current)
            began = min(one.first_at for one in current)
            yield Verdict(place, Mark.HOLDS, "unreached", began, (("segment", name), ("hosts", hosts)))
        elif unsure:
            yield Verdict(place, Mark.BLIND)


def _round(case: Case, place: str) -> Reading | None:
    """Give the latest round of the last hour: its moment, and the number of breaches in it."""
    series = case.seen.series.get((place, vocabulary.ISOLATION_BREACHES))
    return series.latest if series is not None else None


def _untried(case: Case, rule: str, place: str) -> Iterator[Verdict]:
    """Keep an open finding between rounds that are far apart, as long as the plan has them at all."""
    if case.site.isolation.hosts and case.is_open(rule, place):
        yield Verdict(place, Mark.BLIND)


def _by_target(case: Case, kind: str, place: str) -> list[Heard]:
    """Give the latest word on each host, the latest first."""
    found: dict[str, Heard] = {}
    for said in case.seen.told(kind):
        if said.place == place:
            found.setdefault(dict(said.detail).get("target", ""), said)
    return list(found.values())


def _target(said: Heard) -> str:
    return named(dict(said.detail).get("target", "?"))


def _is_gone(case: Case, ref: str) -> bool:
    """Say whether a host is silent on a segment that we look at."""
    thing = case.seen.roster.by_ref.get(ref)
    if thing is None or thing.segment not in case.seen.looked:
        return False
    return all(one.thing is not thing for one in case.seen.present)


BREACH: Final = Rule(
    key="isolation_breach",
    question="Are the networks kept apart as planned?",
    limit_source="may_reach of the plan's segments",
    weight=Weight.NOW,
    words={
        "breach": Words(
            "Network {segment} reaches what it must not: {hosts}",
            "Close this way in the router's rules; or, if it is meant to be, write it into may_reach of that network in the plan.",
        ),
    },
    judge=judge_breach,
)
UNREACHED: Final = Rule(
    key="unreached",
    question="Do devices reach what they are meant to reach?",
    limit_source="may_reach of the plan's segments",
    weight=Weight.SOON,
    words={
        "unreached": Words(
            "Network {segment} doesn't reach what it may reach: {hosts}",
            "Open this way in the router's rules, or look at the host's own; if it is meant to be shut, take it out of may_reach.",
        ),
    },
    judge=judge_reach,
)
