"""Putting a judgement into the store: the one place of this room that writes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit.life import Memory
from netaudit.audit.rules.looking import SOURCE
from netaudit.audit.vocabulary import STORE

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.judge import Judgement
    from netaudit.store.findings import Finding
    from netaudit.store.store import Store

# A mute is remembered for a season after its finding closed. common practice, no source
LONGEST_MUTE: Final = timedelta(days=92)
_STORE: Final = f"{SOURCE.key} source:{STORE}"


def keep(store: Store, judgement: Judgement, now: datetime) -> None:
    """
    Keep what a judgement opened, updated and closed; its samples wait for the next flush like all others.

    Raises:    StoreError: the store can't be written; the same judgement may be kept again, or see `not_kept`.
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


def not_kept(before: Memory | None, judgement: Judgement) -> tuple[Memory, tuple[Finding, ...]]:
    """
    Give what to go on with where a judgement could not be kept: the memory, and the store's own trouble once it is found.

    That alone goes on to be counted. All else waits for the store, without which nobody can tell for sure who is here.

    Args:      before: the memory that the judgement was given.
    """
    before = before or Memory()
    found = tuple(finding for finding in judgement.opened if finding.key == _STORE)
    track = judgement.memory.tracks.get(_STORE)
    if track is None or found:
        return before, found
    return replace(before, tracks={**before.tracks, _STORE: track}), ()


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
