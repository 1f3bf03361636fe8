"""Our own telling: a channel through which no alert arrives. Without this, silence says nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, age_s, lasting

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

# Eight attempts that wait 30 s and then twice as long each time are spread over an hour (63.5 min); a receiver that is started
# anew is back by then. common practice, no source
ATTEMPTS: Final = 8


def judge(case: Case) -> Iterator[Verdict]:
    """Say which channel has failed for long. The letter that is next stands for all that wait behind it."""
    for name in case.site.alert:
        failing = [one for one in case.seen.letters.get(name, ()) if one.attempts and one.trouble]
        if not failing:
            continue
        worst = max(failing, key=lambda one: one.attempts)
        evidence = (
            ("channel", name),
            ("attempts", str(worst.attempts)),
            ("waits", lasting(max(0.0, age_s(case, worst.made_at)))),
            ("trouble", worst.trouble),
        )
        mark = Mark.HOLDS if worst.attempts >= ATTEMPTS else Mark.NEAR
        yield Verdict(f"alert:{name}", mark, "fails", worst.made_at, evidence)


TELLING: Final = Rule(
    key="channel_failing",
    question="Do our alerts arrive?",
    limit_source="eight attempts, over an hour: common practice, no source",
    weight=Weight.NOW,
    words={
        "fails": Words(
            "Alerts through {channel} don't arrive: {attempts} attempts have failed, the first message waits for {waits} ({trouble})",
            "Mend what the reason says, then try it with `netaudit alert`; until then look at the page.",
        ),
    },
    judge=judge,
)
