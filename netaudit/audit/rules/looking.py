"""Our own looking: a source that has gone silent, a listener that is flooded. Without these, silence elsewhere says nothing."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, age_s, lasting

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

# A single failed attempt is weather; common practice, no source: three rounds.
ROUNDS: Final = 3
# Sources that report at least once a sweep, by the first word of their name; others may be slower, and only their own word
# that they failed counts.
REGULAR: Final = ("sweep", "echo", "listen")
# Whoever asks the database beside a running watch learns of a source's last round up to seven minutes late (the store saves
# such ends each five and commits each two); a minute more for the round itself.
KEPT_LATE_S: Final = 480.0
FLOOD_LASTS: Final = timedelta(minutes=15)


def judge_sources(case: Case) -> Iterator[Verdict]:
    """Say which source fails, or has stopped trying."""
    patience_s = max(ROUNDS * case.site.looking.sweep_every_s, KEPT_LATE_S)
    for source in case.seen.sources:
        place = f"source:{source.source}"
        if not source.good and age_s(case, source.since) >= case.site.looking.sweep_every_s:
            evidence = (
                ("source", source.source),
                ("silence", lasting(age_s(case, source.since))),
                ("reason", source.reason or "no reason given"),
            )
            words = "unkept" if source.source == vocabulary.STORE else "fails"
            yield Verdict(place, Mark.HOLDS, words, source.since, evidence)
        elif source.source.partition(":")[0] in REGULAR and age_s(case, source.until) > patience_s:
            silence = lasting(age_s(case, source.until))
            yield Verdict(place, Mark.HOLDS, "stopped", source.until, (("source", source.source), ("silence", silence)))


def judge_flood(case: Case) -> Iterator[Verdict]:
    """Say where more was heard than the listener may remember."""
    for said in case.seen.told(vocabulary.FLOOD, FLOOD_LASTS):
        detail = dict(said.detail)
        evidence = (
            ("segment", said.place.removeprefix("segment:")),
            ("table", detail.get("table", "devices")),
            ("entries", detail.get("entries", "too many")),
        )
        yield Verdict(said.place, Mark.HOLDS, "flood", said.first_at, evidence)


SOURCE: Final = Rule(
    key="source_silent",
    question="Do we still see what we mean to see?",
    limit_source="one sweep for a source that fails, three (eight minutes at least) for one that stops; common practice, no source",
    weight=Weight.NOW,
    words={
        "fails": Words(
            "Looking by {source} has failed for {silence}: {reason}",
            "Mend what the reason says; until then what this source watches can't be judged.",
        ),
        "unkept": Words(
            "What is seen has not been kept for {silence}: {reason}",
            "Do what the reason says. Until then nothing is told by alerts, which are kept before they are sent, and what waits "
            "is held in memory up to a bound.",
        ),
        "stopped": Words(
            "Nothing has come from {source} for {silence}",
            "See whether the service runs and whether this box is overloaded.",
        ),
    },
    judge=judge_sources,
)
FLOOD: Final = Rule(
    key="flooded",
    question="Does anybody flood the network?",
    limit_source="the listener's bounds",
    weight=Weight.NOW,
    words={
        "flood": Words(
            "Network {segment} is flooded with made-up {table} ({entries})",
            "Look for a loop of cables, a faulty device or somebody who tries things; the switch's port counters tell where.",
        ),
    },
    judge=judge_flood,
)
