"""
The weekly report as one self-contained page: a summary in plain words first, then every figure behind it.

Pure: the same data gives the same bytes. Nothing in it loads anything, and it works without a script.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity.line import Kind, State
from netaudit.publish.chart import Curve, chart
from netaudit.publish.look import STATE_WORDS
from netaudit.publish.summary import ledger_rows, summarise
from netaudit.publish.template import render
from netaudit.publish.text import NO_VALUE, day, harmless, place_name, span

if TYPE_CHECKING:
    from collections.abc import Iterable

    from markupsafe import Markup

    from netaudit.publish.report_data import DelayPoint, DelaySeries, DeviceChange, WeekReport
    from netaudit.publish.views import FindingView

_CHANGE_WORDS: Final = {"new": "new", "missing": "missing", "back": "back again"}
# More names than this in one sentence are not read; the table below has them all.
_MOST_NAMES: Final = 5


@dataclass(frozen=True, slots=True)
class _Delay:
    place: str
    chart: Markup | None
    hourly: tuple[DelayPoint, ...]
    daily: tuple[DelayPoint, ...]


def render_report(data: WeekReport) -> str:
    """Render the week. Everything may be empty: the first week, with nothing measured, is a report too."""
    site = data.site
    rows = ledger_rows(data.standings, site)
    names, days, presence = _presence(data)
    return render(
        "report.html",
        {
            "site": site,
            "header": site.site,
            "locale": site.site.locale,
            "data": data,
            "summary": summarise(site, data.standings, data.hazards, data.flaws, data.findings),
            "changed": _changed(data),
            "state_counts": _state_counts(row.state for row in rows),
            "sick": [source for source in data.sources if not source.good],
            "stations": [row for row in rows if row.line.kind is Kind.STATIONS],
            "rows": rows,
            "presence_names": names,
            "presence_days": days,
            "presence_chart": presence,
            "delays": [_delay(series, data) for series in data.delays],
            "findings": [(finding, _lasted(finding, data)) for finding in _by_age(data.findings)],
        },
    )


def _state_counts(states: Iterable[State]) -> str:
    counts = Counter(states)
    if not counts:
        return "The ledger has no lines yet."
    total = counts.total()
    said = [f"{counts[state]} {STATE_WORDS[state]}" for state in State if counts[state]]
    return f"Of {total} {'line' if total == 1 else 'lines'} in the ledger: {', '.join(said)}."


def _changed(data: WeekReport) -> list[str]:
    said: list[str] = []
    for change, words in _CHANGE_WORDS.items():
        found = [one for one in data.changes if one.change == change]
        if found:
            said.append(f"{len(found)} {'device is' if len(found) == 1 else 'devices are'} {words}: {_names(found)}.")
    opened = sum(data.since <= finding.opened_at < data.until for finding in data.findings)
    closed = sum(finding.closed_at is not None for finding in data.findings)
    if opened:
        said.append(f"{opened} {'finding was' if opened == 1 else 'findings were'} opened.")
    if closed:
        said.append(f"{closed} {'finding was' if closed == 1 else 'findings were'} settled.")
    return said


def _names(changes: list[DeviceChange]) -> str:
    names = [harmless(one.name or one.mac, 48) for one in changes[:_MOST_NAMES]]
    more = len(changes) - len(names)
    return ", ".join(names) + (f" and {more} more" if more else "")


def _by_age(findings: Iterable[FindingView]) -> list[FindingView]:
    """Put the open ones first, the oldest of them on top."""
    return sorted(findings, key=lambda finding: (finding.closed_at is not None, finding.opened_at))


def _lasted(finding: FindingView, data: WeekReport) -> str:
    end = finding.closed_at or data.until
    lasted = span(max(0.0, (end - finding.opened_at).total_seconds()))
    return lasted if finding.closed_at is not None else f"{lasted}, still open"


def _delay(series: DelaySeries, data: WeekReport) -> _Delay:
    place = place_name(series.place, data.site)
    picture = None
    if series.hourly:
        picture = chart(
            f"Round trips to {place}",
            [point.at for point in series.hourly],
            [
                Curve("half within", [point.p50_s for point in series.hourly]),
                Curve("95 of 100 within", [point.p95_s for point in series.hourly]),
            ],
            unit="s",
            header=data.site.site,
            lost=[point.loss for point in series.hourly],
        )
    return _Delay(place, picture, series.hourly, series.daily)


def _presence(data: WeekReport) -> tuple[list[str], list[tuple[str, list[str]]], Markup | None]:
    """Give the segments' names, for each day the fewest and most devices of each, and the chart."""
    if not data.presence:
        return [], [], None
    segments = list(dict.fromkeys(point.segment for point in data.presence))
    hours = sorted({point.at for point in data.presence})
    counts = {(point.at, point.segment): point.present for point in data.presence}
    names = [place_name(f"segment:{segment}", data.site) for segment in segments]
    by_day: dict[str, list[list[int]]] = {}
    for at in hours:
        cells = by_day.setdefault(day(at, data.site.site), [[] for _ in segments])
        for cell, segment in zip(cells, segments, strict=True):
            if (at, segment) in counts:
                cell.append(counts[at, segment])
    days = [(named, [_range(cell) for cell in cells]) for named, cells in by_day.items()]
    curves = [
        Curve(name, [counts.get((at, segment)) for at in hours]) for name, segment in zip(names, segments, strict=True)
    ]
    return names, days, chart("Devices there", hours, curves, unit="", header=data.site.site)


def _range(values: list[int]) -> str:
    if not values:
        return NO_VALUE
    return f"{min(values)}" if min(values) == max(values) else f"{min(values)} \u2013 {max(values)}"
