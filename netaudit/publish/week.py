"""A site's week brought together from the store, for the report."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from netaudit.audit import vocabulary
from netaudit.audit.airtime_hours import hours_of
from netaudit.audit.calibration import calibrate
from netaudit.audit.history import outlook, series_of
from netaudit.audit.join import stand
from netaudit.audit.seen import see
from netaudit.publish.cautions import cautions_for
from netaudit.publish.changes import begun, changes_of, name_of
from netaudit.publish.reminders import reminders
from netaudit.publish.report_data import (
    DelayPoint,
    DelaySeries,
    Drift,
    Outlook,
    PresencePoint,
    WeekReport,
)
from netaudit.publish.state import finding_view, segment_views, source_view
from netaudit.publish.text import harmless

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netaudit.audit.calibration import Calibration
    from netaudit.audit.standing import Standing
    from netaudit.capacity.ledger import Ledger
    from netaudit.publish.views import FindingView
    from netaudit.site.model import Site
    from netaudit.store.records import Interval, Rollup
    from netaudit.store.store import Store

HOUR: Final = timedelta(hours=1)
WEEK: Final = timedelta(days=7)
# Beside the gateways, so many devices with the worst answers are drawn: more charts are not read.
WORST_DEVICES: Final = 4
# A prediction of the air is held against two weeks: the nights and days of one could be those of a holiday.
CALIBRATED_ON: Final = timedelta(days=14)
# A greatest use that rose by less than this share of what may be used is the same as before. common practice, no source
LEAST_DRIFT: Final = 0.02
# Firmware that was looked at within this time is what is there; a longer search would cost a small box more than it tells.
FIRMWARE_BACK: Final = timedelta(days=30)


def week_of(day: datetime, zone: str) -> tuple[datetime, datetime]:
    """Give the beginning and end of the ISO week of a moment, by the site's clock (a week may have 167 or 169 hours)."""
    local = day.astimezone(ZoneInfo(zone))
    monday = local.date() - timedelta(days=local.weekday())
    begins = datetime.combine(monday, time(), ZoneInfo(zone))
    return begins, datetime.combine(monday + timedelta(days=7), time(), ZoneInfo(zone))


def last_week(now: datetime, zone: str) -> tuple[datetime, datetime]:
    """Give the last whole ISO week before a moment."""
    this, _ = week_of(now, zone)
    return week_of(this - timedelta(days=1), zone)


def gather_week(site: Site, ledger: Ledger, store: Store, week: tuple[datetime, datetime], now: datetime) -> WeekReport:
    """
    Read a week, [since, until), from the store.

    The standings are those at the end of the week, or now while it lasts.
    Raises:    StoreError: the store can't be read.
    """
    since, until = week
    end = min(until, now)
    seen = see(store, site, end, earlier=until < now)
    devices = store.devices(end)
    called = {f"device:{device.mac}": harmless(name_of(device, seen.roster, site)) for device in devices}
    still_open = store.open_findings()
    # What was closed since the week's end was open then, as everything else here is as of then.
    closed = store.closed_findings(since, max(until, now) + timedelta(seconds=1))
    views = tuple(_as_of(until, finding_view(one, end)) for one in (*still_open, *closed) if one.opened_at < until)
    standings = stand(site, ledger, seen)
    certificates = store.certificates()
    return WeekReport(
        site=site,
        since=since,
        until=until,
        made_at=now,
        standings=standings,
        hazards=ledger.hazards,
        flaws=ledger.flaws,
        findings=views,
        segments=segment_views(site, ledger, seen),
        delays=_delays(site, store, called, (since, end)),
        presence=presence_points(site, store.presence(since, end), since, end, begun=begun(devices)),
        changes=changes_of(site, seen.roster, devices, views, (since, end)),
        sources=tuple(map(source_view, seen.sources)),
        tighter=_tighter(store, standings, since, end),
        outlooks=_outlooks(store, standings, end),
        calibrations=_calibrations(site, store, end),
        reminders=reminders(
            site,
            store.notices(end - FIRMWARE_BACK, end, vocabulary.FIRMWARE),
            still_open,
            certificates[-1].at if certificates else None,
            end,
        ),
        cautions=cautions_for(site),
    )


def delay_series(store: Store, place: str, since: datetime, until: datetime) -> DelaySeries:
    """Read the echoes to one place. Raises StoreError: the store can't be read."""
    return DelaySeries(
        place,
        tuple(map(_point, store.hours(place, vocabulary.RTT_S, since, until))),
        tuple(map(_point, store.days(place, vocabulary.RTT_S, since, until))),
    )


def presence_points(
    site: Site, stays: Sequence[Interval], since: datetime, until: datetime, *, begun: datetime | None
) -> tuple[PresencePoint, ...]:
    """
    Count, for each hour and segment, the devices whose presence touches that hour.

    Args:      begun: when anybody was seen for the first time ever; of the hours before nobody knows who was there.
    """
    hours = int((until - since) / HOUR)
    counts: dict[str, list[set[str]]] = {name: [set() for _ in range(hours)] for name in site.segment}
    for stay in stays:
        if stay.segment in counts:
            first = max(0, int((stay.since - since) / HOUR))
            last = min(hours - 1, int((stay.until - since) / HOUR))
            for index in range(first, last + 1):
                counts[stay.segment][index].add(stay.mac)
    return tuple(
        PresencePoint(since + index * HOUR, name, len(macs))
        for name, listed in counts.items()
        for index, macs in enumerate(listed)
        if begun is not None and since + (index + 1) * HOUR > begun
    )


def _as_of(until: datetime, finding: FindingView) -> FindingView:
    if finding.closed_at is None or finding.closed_at < until:
        return finding
    return replace(finding, closed_at=None, merged=False)


def _delays(
    site: Site, store: Store, called: Mapping[str, str], week: tuple[datetime, datetime]
) -> tuple[DelaySeries, ...]:
    since, until = week
    places = [f"segment:{name}/gateway" for name in site.segment]
    devices = [one for one in store.summaries(vocabulary.RTT_S, since, until) if one.place.startswith("device:")]
    devices.sort(key=lambda one: (one.p95_mean is None, -(one.p95_mean or 0.0), one.place))
    places += [one.place for one in devices[:WORST_DEVICES]]
    series = (replace(delay_series(store, place, since, until), name=called.get(place, "")) for place in places)
    return tuple(one for one in series if one.hourly)


def _point(rollup: Rollup) -> DelayPoint:
    return DelayPoint(rollup.at, rollup.asked, rollup.lost, rollup.p50, rollup.p95)


def _tighter(store: Store, standings: Sequence[Standing], since: datetime, until: datetime) -> tuple[Drift, ...]:
    kinds = {kind for one in standings if (kind := series_of(one.line)) is not None}
    highest: list[dict[tuple[str, str], float]] = []
    for first, last in ((since - WEEK, since), (since, until)):
        found = (one for kind in sorted(kinds) for one in store.summaries(kind, first, last))
        highest.append({(one.place, one.kind): one.high for one in found if one.high is not None})
    before, now = highest
    drifts: list[tuple[float, Drift]] = []
    for one in standings:
        key = (one.line.place, series_of(one.line) or "")
        if key in before and key in now and one.line.usable > 0:
            risen = (now[key] - before[key]) / one.line.usable
            if risen >= LEAST_DRIFT:
                drifts.append((risen, Drift(one.line, before[key], now[key])))
    return tuple(drift for _, drift in sorted(drifts, key=lambda pair: -pair[0]))


def _outlooks(store: Store, standings: Sequence[Standing], now: datetime) -> tuple[Outlook, ...]:
    ahead = outlook(store, standings, now)
    lines = {(one.line.kind, one.line.place): one.line for one in standings}
    return tuple(Outlook(lines[key], said) for key, said in ahead.items())


def _calibrations(site: Site, store: Store, until: datetime) -> tuple[Calibration, ...]:
    if not store.places(vocabulary.BUSY_SHARE):
        return ()
    hours = hours_of(store, site, until - CALIBRATED_ON, until)
    made = (calibrate(place, listed) for place, listed in hours.items())
    return tuple(one for one in made if one is not None)
