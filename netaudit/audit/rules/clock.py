"""Our clock beside that of the site's time server: all that is kept here has its time from ours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

TIME: Final = "service:time"
# RFC 5905, appendix A.1.1 (STEPT; from memory): a clock that is kept in step never is further off, or is set.
STEP_S: Final = 0.128
# So many answers in a row must say so: one of them may have been late on its way. common practice, no source
IN_A_ROW: Final = 3
ROUNDS: Final = 3
# A finding ends below this part of its limit. common practice, no source
LOWER_MARK: Final = 0.5


def judge(case: Case) -> Iterator[Verdict]:
    """Say that the two clocks differ by more than a clock that is kept in step ever does."""
    series = case.seen.series.get((TIME, vocabulary.NTP_OFFSET_S))
    within_s = ROUNDS * case.site.services.every_s + case.site.looking.judge_every_s
    if series is None or series.fresh(case.now, within_s) is None:
        if series is not None or (case.site.services.time_server and case.is_open("clock_off", TIME)):
            yield Verdict(TIME, Mark.BLIND)
        return
    lately = series.values[-IN_A_ROW:]
    # What isn't known of the way there and back, half of it at most, may all be error (RFC 5905, 4: delay/2).
    asked = case.seen.series.get((TIME, vocabulary.NTP_S))
    doubt_s = max(asked.values[-IN_A_ROW:]) / 2 if asked is not None and asked.values else 0.0
    least_s = min(abs(offset_s) for offset_s in lately)
    if least_s > STEP_S + doubt_s:
        mark = Mark.HOLDS
    elif least_s > LOWER_MARK * STEP_S:
        mark = Mark.NEAR
    else:
        return
    offset_s = lately[-1]
    evidence = (
        ("offset", f"{abs(offset_s):.3g} s"),
        ("way", "behind" if offset_s > 0 else "ahead of"),
        ("most", f"{STEP_S:g} s"),
        ("doubt", f"{doubt_s:.3g} s"),
    )
    yield Verdict(TIME, mark, "off", series.readings[0].at, evidence)


CLOCK: Final = Rule(
    key="clock_off",
    question="Do our clocks agree?",
    limit_source="RFC 5905, 0.128 s: the offset from which a clock is set and not slowed (from memory)",
    weight=Weight.SOON,
    words={
        "off": Words(
            "This box's clock is {offset} {way} that of the time server",
            "See whether this box's time service runs (`timedatectl`); if it does, ask another server whose clock is wrong.",
        ),
    },
    judge=judge,
)
