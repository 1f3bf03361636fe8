"""Putting a judgement into the store: the one place of this room that writes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.judge import Judgement
    from netaudit.store.store import Store


def keep(store: Store, judgement: Judgement, now: datetime) -> None:
    """
    Keep what a judgement opened, updated and closed; its samples wait for the next flush like all others.

    Raises:    StoreError: the store can't be written; the same judgement may be kept again.
    """
    for finding in (*judgement.opened, *judgement.updated):
        store.save_finding(
            key=finding.key,
            rule=finding.rule,
            place=finding.place,
            text=finding.text,
            evidence=finding.evidence,
            at=now,
        )
    for finding in judgement.closed:
        # Why it ended goes with it.
        store.save_finding(
            key=finding.key,
            rule=finding.rule,
            place=finding.place,
            text=finding.text,
            evidence=finding.evidence,
            at=now,
        )
        store.close_finding(finding.key, now)
    store.write(judgement.samples)
