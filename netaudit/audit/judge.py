"""One judgement: the ledger joined with what was seen, every rule asked, and the findings taken one step further. Pure."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from netaudit.audit.history import RECORD_EVERY, samples_of
from netaudit.audit.join import stand
from netaudit.audit.life import Concern, Memory, step
from netaudit.audit.rules.rule import Case, Mark, Weight
from netaudit.audit.rules.table import RULES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from netaudit.audit.rules.rule import Rule, Verdict
    from netaudit.audit.seen import Seen
    from netaudit.audit.standing import Standing
    from netaudit.capacity.ledger import Ledger
    from netaudit.observe.observation import Sample
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding

BROKEN: Final = "rule_broken"


@dataclass(frozen=True, slots=True)
class Judgement:
    """
    What one judgement says.

    concerns   what holds now, whether it is a finding yet or not, the gravest first
    samples    what was judged to be in use, for the history; none if it was given lately
    memory     to be handed to the next judgement
    """

    standings: tuple[Standing, ...]
    opened: tuple[Finding, ...]
    updated: tuple[Finding, ...]
    closed: tuple[Finding, ...]
    concerns: tuple[Concern, ...]
    samples: tuple[Sample, ...]
    memory: Memory


def judge(
    site: Site,
    ledger: Ledger,
    seen: Seen,
    open_findings: Iterable[Finding],
    now: datetime,
    *,
    memory: Memory | None = None,
    rules: Sequence[Rule] = RULES,
) -> Judgement:
    """
    Judge what was seen.

    Args:      open_findings: those that the store has open; memory: that of the judgement before, None after a start.
    """
    memory = memory or Memory()
    standing = tuple(open_findings)
    standings = stand(site, ledger, seen)
    case = Case(site, standings, seen, now, frozenset((finding.rule, finding.place) for finding in standing))
    concerns: list[Concern] = []
    broken: set[str] = set()
    for rule in rules:
        try:
            concerns += [_concern(rule, verdict) for verdict in rule.judge(case)]
        except Exception as error:  # noqa: BLE001 - whatever breaks one rule must not silence the others
            broken.add(rule.key)
            concerns.append(_broken(rule, error))
    change = step(
        memory,
        standing,
        concerns,
        now,
        opens_after=site.looking.opens_after,
        blind_rules=frozenset(broken),
    )
    due = memory.recorded_at is None or now - memory.recorded_at >= RECORD_EVERY
    return Judgement(
        standings=standings,
        opened=change.opened,
        updated=change.updated,
        closed=change.closed,
        concerns=tuple(sorted((one for one in concerns if one.mark is Mark.HOLDS), key=lambda one: gravity(one.rule))),
        samples=samples_of(standings, now) if due else (),
        memory=replace(change.memory, recorded_at=now) if due else change.memory,
    )


_ORDER: Final = {rule.key: (tuple(Weight).index(rule.weight), number) for number, rule in enumerate(RULES)}


def gravity(rule: str) -> tuple[int, int]:
    """Give a key that sorts findings, the gravest first; a broken rule before all: nothing else is sure then."""
    return _ORDER.get(rule, (0, -1))


def _concern(rule: Rule, verdict: Verdict) -> Concern:
    words = rule.words.get(verdict.words)
    filling = defaultdict(str, verdict.evidence, place=verdict.place)
    return Concern(
        rule=rule.key,
        place=verdict.place,
        mark=verdict.mark,
        text=words.text.format_map(filling) if words else "",
        cure=words.cure.format_map(filling) if words else "",
        since=verdict.since,
        evidence=verdict.evidence,
    )


def _broken(rule: Rule, error: Exception) -> Concern:
    return Concern(
        rule=BROKEN,
        place=f"rule:{rule.key}",
        mark=Mark.HOLDS,
        text=f'The question "{rule.question}" can\'t be answered: its rule failed ({type(error).__name__}: {error})',
        cure="This is a fault of the program: report it with this line. All other rules still watch.",
        evidence=(("error", f"{type(error).__name__}: {error}"),),
    )
