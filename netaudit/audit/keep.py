"""Putting a judgement into the store: the one place of this room that writes."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.judge import Judgement
    from netaudit.store.findings import Finding
    from netaudit.store.store import Store

# A mute is remembered for a season after its finding closed. common practice, no source
LONGEST_MUTE: Final = timedelta(days=92)


def keep(store: Store, judgement: Judgement, now: datetime) -> None:
    """
    Keep what a judgement opened, updated and closed; its samples wait for the next flush like all others.

    Raises:    StoreError: the store can't be written; the same judgement may be kept again.
    """
    muted = _muted(store, now) if judgement.opened else {}
    for finding in (*judgement.opened, *judgement.updated):
        _save(store, finding, now)
        before = muted.get(finding.key)
        if before is not None and before.muted_until is not None and finding in judgement.opened:
            store.mute_finding(finding.key, before.muted_until, before.reason)
    for finding in judgement.closed:
        # Why it ended goes with it.
        _save(store, finding, now)
        store.close_finding(finding.key, now)
    store.write(judgement.samples)


def _save(store: Store, finding: Finding, now: datetime) -> None:
    store.save_finding(
        key=finding.key,
        rule=finding.rule,
        place=finding.place,
        text=finding.text,
        evidence=finding.evidence,
        at=now,
    )


def _muted(store: Store, now: datetime) -> dict[str, Finding]:
    """Give the closed findings whose mute isn't over: who muted a trouble until Sunday meant its return on Saturday too."""
    closed = store.closed_findings(now - LONGEST_MUTE, now + timedelta(seconds=1))
    return {finding.key: finding for finding in closed if finding.muted(now)}
