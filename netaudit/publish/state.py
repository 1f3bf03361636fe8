"""From a judgement to what page, metrics and report show."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from netaudit.audit.standing import Standing
from netaudit.capacity.line import Kind
from netaudit.publish.views import FindingView, PageState, SegmentView, SourceView

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.judge import Judgement
    from netaudit.audit.seen import Seen
    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding
    from netaudit.store.records import Condition


def page_state(
    site: Site,
    ledger: Ledger,
    seen: Seen,
    judgement: Judgement,
    findings: Iterable[Finding],
    *,
    unkept: Iterable[Finding] = (),
    jobs: Mapping[tuple[str, str], int],
    jumps: int,
) -> PageState:
    """Bring together what is shown at one moment; `findings` are those that are open in the store, `unkept` what it could not take."""
    waiting = tuple(finding_view(finding, seen.at) for finding in unkept)
    return PageState(
        site=site,
        at=seen.at,
        standings=judgement.standings,
        hazards=ledger.hazards,
        flaws=ledger.flaws,
        findings=(*(finding_view(finding, seen.at) for finding in findings), *waiting),
        unkept=waiting,
        sources=tuple(map(source_view, seen.sources)),
        segments=segment_views(site, ledger, seen),
        jobs=dict(jobs),
        jumps=jumps,
    )


def first_state(site: Site, ledger: Ledger) -> PageState:
    """Give what is shown before anything was judged: the plan, and that nothing was observed yet."""
    standings = tuple(Standing(line, None) for line in ledger.lines)
    return PageState(site, None, standings, ledger.hazards, ledger.flaws, segments=segment_views(site, ledger, None))


def finding_view(finding: Finding, now: datetime) -> FindingView:
    """Give a kept finding as it is shown; what a person acknowledged or muted is quiet."""
    return FindingView(
        rule=finding.rule,
        place=finding.place,
        text=finding.text,
        cure=str(finding.evidence.get("cure", "")),
        opened_at=finding.opened_at,
        closed_at=finding.closed_at,
        quiet=finding.acknowledged_at is not None or finding.muted(now),
        merged=finding.closed_at is not None and finding.evidence.get("closed", "over") != "over",
        key=finding.key,
        reason=finding.reason,
        acknowledged_at=finding.acknowledged_at,
        muted_until=finding.muted_until,
    )


def source_view(condition: Condition) -> SourceView:
    """Give a source's condition as it is shown."""
    good_at = condition.until if condition.good else None
    return SourceView(condition.source, good_at, condition.good, condition.reason)


def segment_views(site: Site, ledger: Ledger, seen: Seen | None) -> tuple[SegmentView, ...]:
    """Count each segment's devices, as planned and (None before anybody looked) as seen."""
    planned = {line.place: math.ceil(line.planned) for line in ledger.lines if line.kind is Kind.DEVICE_COUNT}
    return tuple(
        SegmentView(name, planned.get(f"segment:{name}", 0), None if seen is None else len(seen.counted_on(name)))
        for name in site.segment
    )
