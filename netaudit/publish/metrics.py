"""
The ledger as Prometheus metrics: base units, bounded labels, a help text each.

A collector in the sense of prometheus-client: the registry is handed in by whoever serves, nothing is process-wide. Label
values come from the plan and from our own rules and jobs, never from the wire.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, StateSetMetricFamily

from netaudit import __version__
from netaudit.capacity.line import WORST_FIRST, State
from netaudit.publish.text import harmless
from netaudit.publish.views import headroom

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from prometheus_client import Metric

    from netaudit.audit.standing import Standing
    from netaudit.publish.views import FindingView, PageState

# Measured: 1,915 lines are 15,365 rows and 1.4 MB of text a scrape. 3,000 are about 2.2 MB, which a small box still
# renders; a plan of a few hundred switches stays below. Beyond it, the lines that stand worst are kept.
MOST_LINES: Final = 3000
_LABELS: Final = ("kind", "place", "unit")


class LedgerCollector:
    """Makes metrics of the state that `state()` gives at each scrape."""

    def __init__(self, state: Callable[[], PageState]) -> None:
        self._state = state

    def describe(self) -> Iterable[Metric]:
        """Name nothing beforehand, so that registering does not ask for a state that is not there yet."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """Give every family, even an empty one: a dashboard must tell "none" from "gone"."""
        state = self._state()
        yield InfoMetricFamily("netaudit_build", "Which netaudit this is.", {"version": __version__})
        yield from _lines(state.standings)
        yield _findings(state.findings)
        yield _one(
            "netaudit_hazards", "Hazards in the plan: what can break equipment or hurt someone.", len(state.hazards)
        )
        yield _one("netaudit_flaws", "Flaws in the plan: what doesn't fit together.", len(state.flaws))
        planned = GaugeMetricFamily("netaudit_devices_planned", "Devices of a segment as planned.", labels=("segment",))
        present = GaugeMetricFamily(
            "netaudit_devices_present", "Devices of a segment seen lately.", labels=("segment",)
        )
        for segment in state.segments:
            planned.add_metric((harmless(segment.segment),), segment.planned)
            if segment.present is not None:
                present.add_metric((harmless(segment.segment),), segment.present)
        yield planned
        yield present
        yield from _sources(state)
        yield from _jobs(state)
        judged = GaugeMetricFamily("netaudit_judged_timestamp_seconds", "When the ledger was last judged.")
        if state.at is not None:
            judged.add_metric((), state.at.timestamp())
        yield judged


def _one(name: str, text: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, text, value=value)


def _lines(standings: tuple[Standing, ...]) -> Iterator[Metric]:
    # One series a label set, or the scrape is void: of two lines of one kind in one place, the worse one stands.
    kept: dict[tuple[str, str], Standing] = {}
    for standing in sorted(standings, key=lambda one: WORST_FIRST.index(one.state)):
        if len(kept) < MOST_LINES:
            kept.setdefault((standing.line.kind, harmless(standing.line.place)), standing)
    supply = GaugeMetricFamily(
        "netaudit_line_supply", "What a place has of what can run out, in `unit`.", labels=_LABELS
    )
    planned = GaugeMetricFamily("netaudit_line_planned", "What the plan asks of it, in `unit`.", labels=_LABELS)
    grown = GaugeMetricFamily("netaudit_line_grown", "The same with the site's growth, in `unit`.", labels=_LABELS)
    observed = GaugeMetricFamily("netaudit_line_observed", "What was last observed, in `unit`.", labels=_LABELS)
    room = GaugeMetricFamily(
        "netaudit_line_headroom",
        "What is left under the planned ceiling by the larger of plan and observation, in `unit`.",
        labels=_LABELS,
    )
    states = StateSetMetricFamily(
        "netaudit_line_state", "Where a line stands, plan and observation.", labels=_LABELS[:2]
    )
    for standing in kept.values():
        line = standing.line
        labels = (line.kind.value, harmless(line.place), harmless(line.unit))
        supply.add_metric(labels, line.supply)
        planned.add_metric(labels, line.planned)
        grown.add_metric(labels, line.grown)
        room.add_metric(labels, headroom(standing))
        if standing.observed is not None:
            observed.add_metric(labels, standing.observed.latest)
        states.add_metric(labels[:2], {state.value: state is standing.state for state in State})
    yield from (supply, planned, grown, observed, room, states)
    yield _one("netaudit_lines_left_out", "Lines beyond the most that are exposed.", len(standings) - len(kept))


def _findings(findings: tuple[FindingView, ...]) -> Metric:
    family = GaugeMetricFamily("netaudit_findings", "Open findings by rule.", labels=("rule", "state"))
    counts = Counter(
        (harmless(finding.rule), "quiet" if finding.quiet else "open")
        for finding in findings
        if finding.closed_at is None
    )
    for labels, count in sorted(counts.items()):
        family.add_metric(labels, count)
    return family


def _sources(state: PageState) -> Iterator[Metric]:
    good_at = GaugeMetricFamily(
        "netaudit_source_last_good_timestamp_seconds", "When a source last answered.", labels=("source",)
    )
    good = GaugeMetricFamily("netaudit_source_good", "Whether a source's last attempt was good.", labels=("source",))
    for source in state.sources:
        label = (harmless(source.source),)
        good.add_metric(label, float(source.good))
        if source.good_at is not None:
            good_at.add_metric(label, source.good_at.timestamp())
    yield from (good_at, good)


def _jobs(state: PageState) -> Iterator[Metric]:
    for outcome, text in (
        ("ran", "Runs of a job that ended well."),
        ("failed", "Runs of a job that ended in an error."),
        ("missed", "Runs of a job that came too late and were left out."),
        ("overlapped", "Runs of a job that were left out because the one before was still running."),
    ):
        family = CounterMetricFamily(f"netaudit_job_{outcome}", text, labels=("job",))
        for (had, job), count in sorted(state.jobs.items()):
            if had == outcome:
                family.add_metric((harmless(job),), count)
        yield family
    yield CounterMetricFamily(
        "netaudit_clock_jumps", "Times that the clock was set by more than it drifts.", value=state.jumps
    )
