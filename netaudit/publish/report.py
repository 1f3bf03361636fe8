"""
The weekly report as one self-contained page: a summary in plain words first, then every figure behind it.

Pure: the same data gives the same bytes. Nothing in it loads anything, and it works without a script.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from netaudit.audit.forecast import FEWEST_DAYS
from netaudit.capacity.line import Kind, State
from netaudit.publish.changes import change_words
from netaudit.publish.look import STATE_WORDS
from netaudit.publish.plots import delay_plot, presence_plot
from netaudit.publish.summary import ledger_rows, summarise
from netaudit.publish.template import render
from netaudit.publish.text import kind_name, place_name, span
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.publish.report_data import WeekReport
    from netaudit.publish.views import FindingView

# The summary is one page; the tables have the rest.
_MOST_AHEAD: Final = 3


def render_report(data: WeekReport) -> str:
    """Render the week. Everything may be empty: the first week, with nothing measured, is a report too."""
    site = data.site
    rows = ledger_rows(data.standings, site)
    return render(
        "report.html",
        {
            "site": site,
            "header": site.site,
            "locale": site.site.locale,
            "data": data,
            "summary": summarise(site, data.standings, data.hazards, data.flaws, data.findings),
            "changed": _changed(data),
            "ahead": _ahead(data),
            "outlooks": [one for one in data.outlooks if one.forecast.days >= FEWEST_DAYS],
            "too_early": _too_early(data),
            "state_counts": _state_counts(row.state for row in rows),
            "sick": [source for source in data.sources if not source.good],
            "stations": [row for row in rows if row.line.kind is Kind.STATIONS],
            "rows": rows,
            "presence": presence_plot(data.presence, site),
            "delays": [delay_plot(series, site) for series in data.delays],
            "findings": [(finding, _lasted(finding, data)) for finding in _by_age(data.findings)],
        },
    )


def _state_counts(states: Iterable[State]) -> str:
    counts = Counter(states)
    if not counts:
        return "The ledger has no lines yet."
    said = [f"{counts[state]} {STATE_WORDS[state]}" for state in State if counts[state]]
    return f"Of {counted(counts.total(), 'thing')} that can run out: {', '.join(said)}."


def _changed(data: WeekReport) -> list[str]:
    said = change_words(data.site, data.changes, data.findings, (data.since, data.until))
    if data.tighter:
        one = data.tighter[0].line
        said.append(f"What got tightest: {kind_name(one.kind).lower()}, {place_name(one.place, data.site)}.")
    return said


def _ahead(data: WeekReport) -> list[str]:
    """Say in the summary what is reached first."""
    reached = sorted(
        (one for one in data.outlooks if one.forecast.earliest is not None),
        key=lambda one: str(one.forecast.earliest),
    )
    return [
        f"{kind_name(one.line.kind)}, {place_name(one.line.place, data.site)}: {one.forecast.words}."
        for one in reached[:_MOST_AHEAD]
    ]


def _too_early(data: WeekReport) -> str:
    """Say of the lines that were not watched for long enough how many they are: a row for each would tell nothing more."""
    days = [one.forecast.days for one in data.outlooks if one.forecast.days < FEWEST_DAYS]
    if not days:
        return ""
    lines = "one line" if len(days) == 1 else f"{len(days)} lines"
    watched = f"{min(days)} to {max(days)}" if min(days) < max(days) else f"{max(days)}"
    return f"Of {lines} it is too early to say: that takes {FEWEST_DAYS} days of watching, and there are {watched}."


def _by_age(findings: Iterable[FindingView]) -> list[FindingView]:
    """Put the open ones first, the oldest of them on top."""
    return sorted(findings, key=lambda finding: (finding.closed_at is not None, finding.opened_at))


def _lasted(finding: FindingView, data: WeekReport) -> str:
    end = finding.closed_at or data.until
    lasted = span(max(0.0, (end - finding.opened_at).total_seconds()))
    if finding.closed_at is None:
        return f"{lasted}, still open"
    return f"{lasted}, then told in a wider finding" if finding.merged else lasted
