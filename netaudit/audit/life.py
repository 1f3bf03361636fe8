"""
The life of a finding: opens after its trouble has held, closes after it has been gone, and doesn't flap between.

Pure: memory, open findings and what the rules say now go in; what to open, update and close comes out, with the memory for
the next time. The open findings are the store's and so survive a restart; the memory counts judgements that haven't led to
anything yet, and losing it only makes the next opening or closing start its count anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from netaudit.audit.rules.rule import Mark
from netaudit.store.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

# Closing takes so many times the judgements of opening (and one more): to say "all is well" too early costs more trust
# than to say it late. common practice, no source
CLOSING: Final = 2
# The words of an open finding are written anew at most this often: each is a write to a memory card that wears.
UPDATE_EVERY_S: Final = 600.0
# Evidence that tells how the finding came to be and not how things are now.
_FIXED: Final = ("since",)


@dataclass(frozen=True, slots=True)
class Concern:
    """What a rule says of a place now, in words; `since` as far as is known."""

    rule: str
    place: str
    mark: Mark
    text: str = ""
    cure: str = ""
    since: datetime | None = None
    evidence: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> str:
        """The key of its finding."""
        return f"{self.rule} {self.place}"


@dataclass(frozen=True, slots=True)
class Track:
    """Of one key: whether its trouble held at the last judgements, latest last, and how often it was clear in a row."""

    held: tuple[bool, ...] = ()
    clear: int = 0


@dataclass(frozen=True, slots=True)
class Memory:
    """
    What is counted from one judgement to the next.

    tracks by key, without what is clear and not open; recorded_at: when a judgement last gave samples for the history
    """

    tracks: Mapping[str, Track] = field(default_factory=dict)
    recorded_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """What one judgement changes."""

    memory: Memory
    opened: tuple[Finding, ...] = ()
    updated: tuple[Finding, ...] = ()
    closed: tuple[Finding, ...] = ()


def opens_of(opens_after: int) -> int:
    """Give the n of "k of n": half as many again, so that one clear judgement among two doesn't begin the count anew."""
    return opens_after + opens_after // 2


def closes_after(opens_after: int) -> int:
    """Give the clear judgements in a row that close a finding."""
    return CLOSING * opens_after + 1


def step(
    memory: Memory,
    open_findings: Iterable[Finding],
    concerns: Iterable[Concern],
    now: datetime,
    *,
    opens_after: int,
    blind_rules: frozenset[str] = frozenset(),
) -> Change:
    """
    Go on by one judgement.

    Args:      concerns: at most one that is not BLIND counts for a key, the first; opens_after: k, judgements that must hold
               of the last `opens_of(k)`; blind_rules: rules that broke, whose findings stay as they are.
    """
    said = _first(concerns)
    standing = {finding.key: finding for finding in open_findings}
    tracks: dict[str, Track] = {}
    opened: list[Finding] = []
    updated: list[Finding] = []
    closed: list[Finding] = []
    for key in sorted(said.keys() | standing.keys() | memory.tracks.keys()):
        concern, finding = said.get(key), standing.get(key)
        track = memory.tracks.get(key, Track())
        if (concern is not None and concern.mark is Mark.BLIND) or key.partition(" ")[0] in blind_rules:
            tracks[key] = track
            continue
        if finding is None:
            track = replace(track, held=(*track.held, _holds(concern))[-opens_of(opens_after) :], clear=0)
            if concern is not None and sum(track.held) >= opens_after and _holds(concern):
                opened.append(_open(concern, now))
                track = Track()
                tracks[key] = track
            elif any(track.held):
                tracks[key] = track
            continue
        if concern is not None and concern.mark is Mark.FOLDED:
            closed.append(_close(finding, now, "told in a wider finding"))
            continue
        clear = track.clear + 1 if concern is None else 0
        if clear >= closes_after(opens_after):
            closed.append(_close(finding, now, "over"))
            continue
        tracks[key] = Track(clear=clear)
        if concern is not None and concern.mark is Mark.HOLDS and _worth_writing(finding, concern, now):
            updated.append(replace(finding, text=concern.text, evidence=_evidence(concern, finding), updated_at=now))
    return Change(replace(memory, tracks=tracks), tuple(opened), tuple(updated), tuple(closed))


def is_quiet(finding: Finding, now: datetime) -> bool:
    """Say whether nobody need be told of it now: a person has acknowledged it, or muted it and the time isn't over."""
    return finding.acknowledged_at is not None or finding.muted(now)


def _first(concerns: Iterable[Concern]) -> dict[str, Concern]:
    """Keep one concern a key: what can be told goes before what can't."""
    said: dict[str, Concern] = {}
    for concern in concerns:
        known = said.get(concern.key)
        if known is None or (known.mark is Mark.BLIND and concern.mark is not Mark.BLIND):
            said[concern.key] = concern
    return said


def _holds(concern: Concern | None) -> bool:
    return concern is not None and concern.mark is Mark.HOLDS


def _open(concern: Concern, now: datetime) -> Finding:
    return Finding(
        key=concern.key,
        rule=concern.rule,
        place=concern.place,
        text=concern.text,
        evidence=_evidence(concern, None),
        opened_at=now,
        updated_at=now,
        closed_at=None,
        acknowledged_at=None,
        muted_until=None,
        reason="",
    )


def _close(finding: Finding, now: datetime, why: str) -> Finding:
    return replace(finding, closed_at=now, evidence={**finding.evidence, "closed": why})


def _evidence(concern: Concern, before: Finding | None) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "cure": concern.cure,
        "since": concern.since.isoformat() if concern.since else "",
        **dict(concern.evidence),
    }
    if before is not None:
        evidence.update((key, before.evidence[key]) for key in _FIXED if before.evidence.get(key))
    return evidence


def _worth_writing(finding: Finding, concern: Concern, now: datetime) -> bool:
    return concern.text != finding.text and (now - finding.updated_at).total_seconds() >= UPDATE_EVERY_S
