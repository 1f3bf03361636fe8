"""
Loss, round-trip time and jitter beyond what the plan promises on a segment.

An hour of echoes is a small sample: one lost of sixty is 1.7 % and says nothing of a promise of 1 %. So a promise counts
as broken only when keeping it would make what was seen all but impossible.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby, pairwise
from math import comb
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named
from netaudit.observe.delay import jitter_s, nearest_rank

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from netaudit.audit.roster import Thing
    from netaudit.audit.rules.rule import Case
    from netaudit.audit.series import Series
    from netaudit.site.model import Targets

# Chance at which chance is no explanation any more. 250 devices in 24 separate hours a day are 2.2 million judgements a
# year: about two false ones a year if all of them stood exactly at the promise, none if they keep it by half.
SIGNIFICANCE: Final = 1e-6
# So many echoes lost in a row, once or twice an hour, are an outage, which is another finding.
OUTAGE_RUN: Final = 5
OUTAGES: Final = 2
# Fewer values than these make neither percentile nor mean; the largest twentieth is left out, so that one slow echo is no jitter.
FEWEST: Final = 20
TRIM: Final = 20
# A finding ends when the measure is below this part of the promise. common practice, no source
LOWER_MARK: Final = 0.9
# Several places of a segment at once are told together. common practice, no source
FEWEST_FOR_CAUSE: Final = 3


def tail(hits: int, trials: int, chance: float) -> float:
    """Give the chance of at least so many hits: the upper tail of the binomial law, summed exactly."""
    if hits <= 0:
        return 1.0
    return float(sum(comb(trials, k) * chance**k * (1 - chance) ** (trials - k) for k in range(hits, trials + 1)))


def without_outages(answered: list[bool]) -> tuple[int, int]:
    """
    Count echoes and lost ones without an outage or two.

    Returns:   asked, lost. More than two long runs of losses are no outages but loss, and count.
    """
    runs = [(good, len(list(group))) for good, group in groupby(answered)]
    outages = [length for good, length in runs if not good and length >= OUTAGE_RUN]
    lost = sum(length for good, length in runs if not good)
    cut = sum(outages) if len(outages) <= OUTAGES else 0
    return len(answered) - cut, lost - cut


def judge(case: Case) -> Iterator[Verdict]:
    """Say where a promise is broken, several places of a segment together. Nothing is promised to who is unknown."""
    by_mac = {one.mac: one for one in case.seen.present}
    of_segment: defaultdict[str, list[Verdict]] = defaultdict(list)
    measured: defaultdict[str, int] = defaultdict(int)
    for (place, kind), series in case.seen.series.items():
        if kind != vocabulary.RTT_S:
            continue
        if place.startswith("device:"):
            one = by_mac.get(place.removeprefix("device:"))
            if one is None:
                # Who is away is no business of this rule, but a finding waits until it is back.
                yield Verdict(_ref(case, place), Mark.BLIND)
                continue
            if not one.expected:
                continue
            segment, where, thing = one.segment, one.place, one.thing
        else:
            segment, where = place.removeprefix("segment:").partition("/")[0], place
            thing = case.seen.roster.by_ref.get(place)
        if segment not in case.site.segment:
            continue
        measured[segment] += 1
        verdict = _judge_one(where, segment, thing, series, case.site.segment[segment].targets)
        if verdict is not None:
            of_segment[segment].append(verdict)
    for segment, verdicts in of_segment.items():
        holding = [verdict for verdict in verdicts if verdict.mark is Mark.HOLDS]
        together = f"segment:{segment}"
        if len(holding) >= FEWEST_FOR_CAUSE or (holding and case.is_open("slow", together)):
            yield _together(together, segment, holding, measured[segment])
            yield from (Verdict(verdict.place, Mark.FOLDED) for verdict in verdicts)
        else:
            yield from verdicts


def _ref(case: Case, place: str) -> str:
    thing = case.seen.roster.by_mac.get(place.removeprefix("device:"))
    return thing.ref if thing else place


def _judge_one(where: str, segment: str, thing: Thing | None, series: Series, targets: Targets) -> Verdict | None:
    values = series.values
    found = [
        *_loss(thing, series, targets),
        *_rtt(values, targets),
        *_jitter(values, targets),
    ]
    if not found:
        return None
    # The first that holds speaks, the others stand in its evidence.
    found.sort(key=lambda item: item[0] is not Mark.HOLDS)
    mark, words, measured, promised = found[0]
    evidence = (
        ("named", named(where)),
        ("segment", segment),
        ("measured", measured),
        ("promised", promised),
        *((f"also_{other[1]}", f"{other[2]}, promised {other[3]}") for other in found[1:]),
    )
    return Verdict(where, mark, words, series.readings[0].at, evidence)


_Found = tuple[Mark, str, str, str]


def _loss(thing: Thing | None, series: Series, targets: Targets) -> Iterator[_Found]:
    # Telephones asleep and visitors on their way out don't answer, and owe no answer.
    owes_answer = thing is not None and not thing.sleeps and (thing.watched or thing.group == "router")
    if not owes_answer:
        return
    if not series.lost:
        return
    asked, lost = without_outages([one.value is not None for one in series.readings])
    if asked == 0 or lost <= LOWER_MARK * targets.loss * asked:
        return
    mark = Mark.HOLDS if tail(lost, asked, targets.loss) < SIGNIFICANCE else Mark.NEAR
    yield mark, "loss", f"{lost} of {asked}", f"{targets.loss * 100:.3g} %"


def _rtt(values: Sequence[float], targets: Targets) -> Iterator[_Found]:
    slow = sum(value > targets.rtt_p95_s for value in values)
    if not values or slow <= LOWER_MARK * 0.05 * len(values):
        return
    mark = Mark.HOLDS if tail(slow, len(values), 0.05) < SIGNIFICANCE else Mark.NEAR
    shown = f"{nearest_rank(values, 95) * 1e3:.3g} ms" if len(values) >= FEWEST else f"{slow} of {len(values)} above it"
    yield mark, "rtt", shown, f"{targets.rtt_p95_s * 1e3:.3g} ms"


def _jitter(values: Sequence[float], targets: Targets) -> Iterator[_Found]:
    steps = sorted(abs(after - before) for before, after in pairwise(values))
    if len(steps) < FEWEST:
        return
    kept = steps[: len(steps) - len(steps) // TRIM]
    mean_s = sum(kept) / len(kept)
    if mean_s <= LOWER_MARK * targets.jitter_s:
        return
    mark = Mark.HOLDS if mean_s > targets.jitter_s else Mark.NEAR
    yield mark, "jitter", f"{jitter_s(values) * 1e3:.3g} ms", f"{targets.jitter_s * 1e3:.3g} ms"


def _together(place: str, segment: str, holding: list[Verdict], measured: int) -> Verdict:
    began = min((verdict.since for verdict in holding if verdict.since), default=None)
    first = holding[0]
    said = dict(first.evidence)
    evidence = (
        ("segment", segment),
        ("count", str(len(holding))),
        ("all", str(measured)),
        ("such_as", f"{said['named']}: {first.words} {said['measured']}, promised {said['promised']}"),
    )
    return Verdict(place, Mark.HOLDS, "segment", began, evidence)


SLOW: Final = Rule(
    key="slow",
    question="Is the network as quick and reliable as promised?",
    limit_source="the segment's targets in the plan; no standard sets limits for a LAN",
    weight=Weight.SOON,
    words={
        "loss": Words(
            "{named} loses echoes: {measured} in the last hour, {promised} promised",
            "Look at its signal or its cable; see whether the air or a link is full.",
        ),
        "rtt": Words(
            "{named} answers slowly: 95th percentile {measured} in the last hour, {promised} promised",
            "Look at its signal; see whether the air or a link is full.",
        ),
        "jitter": Words(
            "{named} answers unevenly: jitter {measured}, {promised} promised",
            "Calls and games will suffer: see whether the air or a link is full.",
        ),
        "segment": Words(
            "Network {segment} is slow or loses echoes: {count} of {all} measured places ({such_as})",
            "Look at what they share: the uplink, the router, the channel on the air.",
        ),
    },
    judge=judge,
)
