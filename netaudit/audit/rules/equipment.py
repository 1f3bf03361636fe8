"""What switches and access points say of themselves: slow links, errors, full queues, restarts, firmware."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, age_s, lasting, named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case
    from netaudit.audit.series import Series
    from netaudit.store.records import Heard

FRESH_S: Final = 900.0
# A sound copper link has a frame error in 10^10 bits at most (IEEE 802.3-2018, 40.1.1: 1000BASE-T); a home link carries far
# less than 10^12 bits an hour, so a hundred an hour is beyond what any sound link shows. common practice: the hundred
ERRORS_AN_HOUR: Final = 100.0
# Of an hour with errors at least this many of its quarters must show some: a plug pulled once is no bad cable.
QUARTERS_WITH_ERRORS: Final = 3
# A port drops now and then when a fast link meets a slow one: TCP fills queues until they do. common practice, no source
DISCARDS_AN_HOUR: Final = 1000.0
# The longest frame on the line [bit]: 1,518 octets (IEEE 802.3, 3.2.7 and 3.2.8), preamble and delimiter 8, gap 12. Counting all as
# the longest gives the fewest frames and so the greatest share that can have been lost.
LONGEST_FRAME_BITS: Final = 1538 * 8
# A finding ends below this part of its limit. common practice, no source
LOWER_MARK: Final = 0.5
# A year without an update is worth a look. common practice, no source
LOOK_AT_FIRMWARE_S: Final = 365 * 86_400.0


def judge_speed(case: Case) -> Iterator[Verdict]:
    """Say which link came up slower than planned."""
    for place, planned_bps in _planned_speeds(case).items():
        series = case.seen.series.get((place, vocabulary.SPEED_BPS))
        if series is None:
            continue
        speed_bps = series.fresh(case.now, FRESH_S)
        # No link at all is a matter for the missing.
        if speed_bps is None or speed_bps <= 0:
            yield Verdict(place, Mark.BLIND)
        elif speed_bps < planned_bps * 0.999:
            slow = [one.at for one in series.readings if one.value is not None and one.value < planned_bps * 0.999]
            evidence = (
                ("named", named(place)),
                ("speed", f"{speed_bps / 1e6:g} Mb/s"),
                ("planned", f"{planned_bps / 1e6:g} Mb/s"),
            )
            yield Verdict(place, Mark.HOLDS, "slow", slow[0], evidence)


def _planned_speeds(case: Case) -> dict[str, float]:
    site = case.site
    return {
        **{f"link:switch/{name}": switch.uplink_rate_bps for name, switch in site.switch.items()},
        **{f"link:access_point/{name}": point.rate_bps for name, point in site.access_point.items()},
        **{f"link:recorder/{name}": recorder.rate_bps for name, recorder in site.recorder.items()},
    }


def judge_errors(case: Case) -> Iterator[Verdict]:
    """Say which port or link counts errors that keep coming."""
    for (place, kind), series in case.seen.series.items():
        if kind != vocabulary.ERRORS:
            continue
        if series.fresh(case.now, FRESH_S) is None:
            yield Verdict(place, Mark.BLIND)
            continue
        count = sum(series.values)
        quarters = _quarters(case, series)
        if count > ERRORS_AN_HOUR and quarters >= QUARTERS_WITH_ERRORS:
            mark = Mark.HOLDS
        elif count > ERRORS_AN_HOUR / 2:
            mark = Mark.NEAR
        else:
            continue
        began = next(one.at for one in series.readings if one.value)
        evidence = (("named", named(place)), ("count", f"{count:.0f}"), ("most", f"{ERRORS_AN_HOUR:g}"))
        yield Verdict(place, mark, "errors", began, evidence)


def _quarters(case: Case, series: Series) -> int:
    return len({int(age_s(case, one.at) // 900) for one in series.readings if one.value})


def judge_discards(case: Case) -> Iterator[Verdict]:
    """Say which port drops more sound frames than the plan lets anybody lose, and keeps on doing so."""
    promised = min(segment.targets.loss for segment in case.site.segment.values())
    for (place, kind), series in case.seen.series.items():
        if kind != vocabulary.DISCARDS:
            continue
        frames = _frames_an_hour(case, place)
        if series.fresh(case.now, FRESH_S) is None or frames is None:
            yield Verdict(place, Mark.BLIND)
            continue
        count = sum(series.values)
        limit = max(DISCARDS_AN_HOUR, promised * frames)
        if count > limit and _quarters(case, series) >= QUARTERS_WITH_ERRORS:
            mark = Mark.HOLDS
        elif count > LOWER_MARK * limit:
            mark = Mark.NEAR
        else:
            continue
        began = next(one.at for one in series.readings if one.value)
        evidence = (
            ("named", named(place)),
            ("count", f"{count:.0f}"),
            ("most", f"{limit:.0f}"),
            ("promised", f"{promised * 100:.3g} %"),
        )
        yield Verdict(place, mark, "discards", began, evidence)


def _frames_an_hour(case: Case, place: str) -> float | None:
    """Give how many frames a port carried if all were of the longest kind; None where its rates aren't known."""
    rates = [
        sum(series.values) / len(series.values)
        for kind in (vocabulary.RX_BPS, vocabulary.TX_BPS)
        if (series := case.seen.series.get((place, kind))) is not None and series.values
    ]
    return sum(rates) * 3600 / LONGEST_FRAME_BITS if rates else None


def judge_restarts(case: Case) -> Iterator[Verdict]:
    """Say which equipment has started anew while we watched."""
    for (place, kind), series in case.seen.series.items():
        if kind != vocabulary.UPTIME_S:
            continue
        values = [(one.at, one.value) for one in series.readings if one.value is not None]
        for (before_at, before_s), (at, uptime_s) in pairwise(values):
            # A clock that was set makes no restart: what counts is that it has run for less than the time between.
            if uptime_s < before_s and uptime_s <= (at - before_at).total_seconds() + 60.0:
                started = at - timedelta(seconds=uptime_s)
                evidence = (("named", named(place)), ("ran", lasting(before_s)), ("started", started.isoformat()))
                yield Verdict(place, Mark.HOLDS, "restart", started, evidence)


def judge_firmware(case: Case) -> Iterator[Verdict]:
    """
    Say where the firmware text is another than before, and where it has been the same for very long.

    The text is all that is compared; nothing is looked up anywhere.
    """
    told: dict[str, list[Heard]] = {}
    # Latest first: a text that was replaced is not repeated any more.
    for said in case.seen.told(vocabulary.FIRMWARE):
        told.setdefault(said.place, []).append(said)
    for place, listed in told.items():
        now, *earlier = listed
        evidence = (("named", named(place)), ("now", dict(now.detail).get("text", "")))
        if earlier:
            before = dict(earlier[0].detail).get("text", "")
            yield Verdict(place, Mark.HOLDS, "changed", now.first_at, (*evidence, ("before", before)))
        elif age_s(case, now.first_at) > LOOK_AT_FIRMWARE_S:
            same = ("same_for", lasting(age_s(case, now.first_at)))
            yield Verdict(place, Mark.HOLDS, "old", now.first_at, (*evidence, same))


SPEED: Final = Rule(
    key="link_slow",
    question="Do links run at the speed that we planned?",
    limit_source="the plan's rates",
    weight=Weight.SOON,
    words={
        "slow": Words(
            "{named} runs at {speed}; planned are {planned}",
            "Try another patch cable; then test the fixed cable: one bad pair of four gives 100 Mb/s.",
        ),
    },
    judge=judge_speed,
)
ERRORS: Final = Rule(
    key="errors",
    question="Are the cables sound?",
    limit_source="IEEE 802.3 bit error ratio; a hundred an hour is common practice, no source",
    weight=Weight.SOON,
    words={
        "errors": Words(
            "{named} has counted {count} frames with errors in an hour",
            "Plug it in again, try another patch cable and another port; then test the fixed cable.",
        ),
    },
    judge=judge_errors,
)
DISCARDS: Final = Rule(
    key="discards",
    question="Do the switches have room for what passes through them?",
    limit_source="the least loss that the plan promises; at least a thousand an hour: common practice, no source",
    weight=Weight.SOON,
    words={
        "discards": Words(
            "{named} has dropped {count} sound frames in an hour for want of room; at most {most} were to be expected",
            "See what fills it: a link slower than planned, a backup or copy by day, or a loop. Then plan a faster link there.",
        ),
    },
    judge=judge_discards,
)
RESTART: Final = Rule(
    key="restarted",
    question="Has anything restarted by itself?",
    limit_source="its own time since start",
    weight=Weight.SOMETIME,
    words={
        "restart": Words(
            "{named} has started anew, after it had run for {ran}",
            "If nobody did that: look at its power, its temperature and whether it updates itself.",
        ),
    },
    judge=judge_restarts,
)
FIRMWARE: Final = Rule(
    key="firmware",
    question="Is the software in our equipment what it was?",
    limit_source="the text that the equipment gave before; a year is common practice, no source",
    weight=Weight.SOMETIME,
    words={
        "changed": Words(
            'The firmware text of {named} was "{before}" and is now "{now}"',
            "If nobody updated it, find out why it changed; if somebody did, acknowledge this.",
        ),
        "old": Words(
            'The firmware text of {named} has been "{now}" for {same_for}',
            "Look whether its maker has mended anything since; acknowledge this when you have looked.",
        ),
    },
    judge=judge_firmware,
)
