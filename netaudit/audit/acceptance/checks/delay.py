"""Loss, latency and jitter of each segment against what the plan promises there, as claims with 95 % confidence."""

from __future__ import annotations

from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Check, Item, Outcome, failed, untested
from netaudit.audit.acceptance.confidence import (
    BATCHES,
    LEAST_BATCH,
    Stand,
    mean_claim,
    percentile_claim,
    share_claim,
)
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Trial
    from netaudit.audit.acceptance.confidence import Claim
    from netaudit.site.model import Targets


CURES: Final = {
    "loss": "Look at the cables and radios on the way: errors of ports, busy share of radios, level of the stations.",
    "latency": "Look for what fills the way: a slow link, a busy radio, a device that answers late.",
    "jitter": "Look for what fills the way in bursts: backups, cameras, a busy radio.",
}


def _series(trial: Trial, segment: str) -> list[tuple[float | None, ...]]:
    """
    Give the echoes of a segment, a series a place: its gateway, and every planned device that is there and doesn't sleep.

    Of strangers nothing is promised; a sleeper's silence is no loss. Who never answers an echo does so by its nature, or is off,
    which is another check.
    """
    places = [f"segment:{segment}/gateway"]
    places += [
        f"device:{mac}"
        for mac in trial.macs_on(segment)
        if (thing := trial.things.get(mac)) is not None and not thing.sleeps and thing.ref not in trial.left
    ]
    rivals = {f"device:{mac}" for macs in trial.rivals.values() for mac in macs}
    found = [trial.values(place, vocabulary.RTT_S) for place in places if place not in rivals]
    return [values for values in found if any(value is not None for value in values)]


def _percent(share: float | None) -> str:
    return "?" if share is None else f"{100 * share:.2f} %"


def _ms(value_s: float | None) -> str:
    return "?" if value_s is None else f"{1000 * value_s:.2f} ms"


def _loss(series: list[tuple[float | None, ...]], targets: Targets) -> tuple[Claim, str, str] | str:
    sent = sum(map(len, series))
    lost = sum(value is None for values in series for value in values)
    claim = share_claim(lost, sent, targets.loss)
    said = f"{lost} of {sent} echoes to {counted(len(series), 'place')} lost ({_percent(claim.value)})"
    return claim, said, f"{_percent(claim.low)} to {_percent(claim.high)}; promised at most {_percent(targets.loss)}"


def _latency(series: list[tuple[float | None, ...]], targets: Targets) -> tuple[Claim, str, str] | str:
    values = [value for listed in series for value in listed if value is not None]
    claim = percentile_claim(values, 95, targets.rtt_p95_s)
    said = f"95 of 100 of {claim.count} round trips took at most {_ms(claim.value)}"
    high = "no upper bound" if claim.high is None else _ms(claim.high)
    low = "no lower bound" if claim.low is None else _ms(claim.low)
    return claim, said, f"{low} to {high}; promised at most {_ms(targets.rtt_p95_s)}"


def _jitter(series: list[tuple[float | None, ...]], targets: Targets) -> tuple[Claim, str, str] | str:
    steps: list[float] = []
    for listed in series:
        answered = [value for value in listed if value is not None]
        steps += [abs(after - before) for before, after in pairwise(answered)]
    claim = mean_claim(steps, targets.jitter_s)
    if claim is None:
        more = BATCHES * LEAST_BATCH - len(steps)
        return f"{counted(len(steps), 'step')} between answered echoes; it takes {more} more"
    said = f"mean step between neighbouring round trips {_ms(claim.value)}, of {claim.count}"
    return claim, said, f"{_ms(claim.low)} to {_ms(claim.high)}; promised at most {_ms(targets.jitter_s)}"


# The bounds of loss and latency are exact, whatever the distribution; those of a mean are not.
_CONFIDENCE: Final = {"jitter": f"with about 95 % confidence (from the means of {BATCHES} batches)"}
_MEASURES: Final = {"loss": _loss, "latency": _latency, "jitter": _jitter}


def _judge(key: str, trial: Trial) -> Iterator[Item]:
    for name, segment in trial.site.segment.items():
        place, series = f"segment:{name}", _series(trial, name)
        if not series:
            yield untested(place, "no echo was answered", "Look at the network from a box that is on it.")
            continue
        measured = _MEASURES[key](series, segment.targets)
        if isinstance(measured, str):
            yield untested(place, f"too few: {measured}", "Look for longer.")
            continue
        claim, said, bounds = measured
        text = f"{said}; {_CONFIDENCE.get(key, 'with 95 % confidence')} {bounds}"
        if claim.stand is Stand.KEPT:
            yield Item(place, Outcome.PASSED, text)
        elif claim.stand is Stand.BROKEN:
            yield failed(place, text, CURES[key])
        elif claim.more is None:
            yield untested(
                place, f"{text}; it stands so near that no reasonable number of echoes settles it", CURES[key]
            )
        else:
            yield untested(place, f"{text}; some {claim.more} more would settle it", "Look for longer.")


LOSS: Final = Check(
    "loss",
    "Are few echoes lost?",
    "the plan's promise (no standard sets a LAN's); exact binomial bound, Clopper and Pearson 1934",
    partial(_judge, "loss"),
)
LATENCY: Final = Check(
    "latency",
    "Do answers come quickly?",
    "the plan's promise (no standard sets a LAN's); order statistics, Wilks 1941",
    partial(_judge, "latency"),
)
JITTER: Final = Check(
    "jitter",
    "Do answers come evenly?",
    "the plan's promise; what RFC 3550, 6.4.1 estimates: the mean step between round trips; its bounds are approximate, by "
    "batch means (Law, Simulation Modeling and Analysis, 9.5.3)",
    partial(_judge, "jitter"),
)
