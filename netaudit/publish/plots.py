"""A week of echoes and of presence made ready to be shown: chart and table, for page and report alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.audit.call import rate_hour
from netaudit.capacity.voice import good_or_better, poor_or_worse, satisfaction
from netaudit.publish.chart import Curve, bar_chart, line_chart
from netaudit.publish.text import NO_VALUE, clock, day, number, place_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from netaudit.publish.report_data import DelayPoint, DelaySeries, PresencePoint
    from netaudit.site.model import Header, Site


@dataclass(frozen=True, slots=True)
class DelayPlot:
    """
    Echoes to one place.

    chart is None where no hour was measured, lost_chart where nothing was lost; call: what a call was like in the worst
    hour, empty where no hour says so.
    """

    place: str
    chart: Markup | None
    lost_chart: Markup | None
    hourly: tuple[DelayPoint, ...]
    daily: tuple[DelayPoint, ...]
    call: str = ""


@dataclass(frozen=True, slots=True)
class PresencePlot:
    """Who was there: the networks' names, for each day the fewest and most devices of each, and the chart."""

    names: tuple[str, ...]
    days: tuple[tuple[str, tuple[str, ...]], ...]
    chart: Markup


def delay_plot(series: DelaySeries, site: Site) -> DelayPlot:
    """Draw the echoes to one place."""
    place, header = series.name or place_name(series.place, site), site.site
    if not series.hourly:
        return DelayPlot(place, None, None, (), series.daily)
    hours = [point.at for point in series.hourly]
    curves = [
        Curve("half within", [point.p50_s for point in series.hourly]),
        Curve("95 of 100 within", [point.p95_s for point in series.hourly]),
    ]
    lost = [point.loss for point in series.hourly]
    return DelayPlot(
        place,
        line_chart(f"Round trips to {place}", hours, curves, unit="s", header=header),
        bar_chart(f"Echoes to {place} lost", hours, Curve("lost", lost), unit="share", header=header)
        if any(lost)
        else None,
        series.hourly,
        series.daily,
        _worst_call(series.hourly, header),
    )


def _worst_call(hourly: Sequence[DelayPoint], header: Header) -> str:
    rated = [
        (rating.r, rating.mos, point.at)
        for point in hourly
        if (rating := rate_hour(asked=point.asked, lost=point.lost, p50_s=point.p50_s, p95_s=point.p95_s)) is not None
    ]
    if not rated:
        return ""
    r, mos, at = min(rated)
    return (
        f"Worst hour for a telephone call this way: {day(at, header)} at {clock(at, header)}. Of 100 users "
        f"{100 * good_or_better(r):.0f} would have called it good and {100 * poor_or_worse(r):.0f} poor ({satisfaction(r)}; "
        f"R {r:.0f} of at most 93 by ITU-T G.107, a mean opinion score of {number(round(mos, 1), header.locale)} of at most "
        f"{number(4.4, header.locale)})."
    )


def presence_plot(points: Sequence[PresencePoint], site: Site) -> PresencePlot | None:
    """Draw who was there; None when nobody has looked."""
    if not points:
        return None
    segments = list(dict.fromkeys(point.segment for point in points))
    hours = sorted({point.at for point in points})
    counts = {(point.at, point.segment): point.present for point in points}
    names = tuple(place_name(f"segment:{segment}", site) for segment in segments)
    by_day: dict[str, list[list[int]]] = {}
    for at in hours:
        cells = by_day.setdefault(day(at, site.site), [[] for _ in segments])
        for cell, segment in zip(cells, segments, strict=True):
            if (at, segment) in counts:
                cell.append(counts[at, segment])
    curves = [
        Curve(name, [counts.get((at, segment)) for at in hours]) for name, segment in zip(names, segments, strict=True)
    ]
    return PresencePlot(
        names,
        tuple((named, tuple(map(_range, cells))) for named, cells in by_day.items()),
        line_chart("Devices there", hours, curves, unit="", header=site.site),
    )


def _range(values: list[int]) -> str:
    if not values:
        return NO_VALUE
    return f"{min(values)}" if min(values) == max(values) else f"{min(values)} \u2013 {max(values)}"
