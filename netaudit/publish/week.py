"""A site's week brought together from the store, for the report."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from netaudit.audit.join import stand
from netaudit.audit.seen import see
from netaudit.publish.cautions import cautions_for
from netaudit.publish.report_data import DelayPoint, DelaySeries, DeviceChange, PresencePoint, WeekReport
from netaudit.publish.state import finding_view, segment_views, source_view

if TYPE_CHECKING:
    from netaudit.capacity.ledger import Ledger
    from netaudit.publish.views import FindingView
    from netaudit.site.model import Site
    from netaudit.store.records import Device, Interval, Rollup
    from netaudit.store.store import Store

HOUR: Final = timedelta(hours=1)
WEEK: Final = timedelta(days=7)
# Beside the gateways, so many devices with the worst answers are drawn: more charts are not read.
WORST_DEVICES: Final = 4
# A device that first shows within this time of the store's own beginning is not new, it was there before us.
SETTLING: Final = timedelta(days=1)


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
    seen = see(store, site, end)
    findings = (*store.open_findings(), *store.closed_findings(since, until))
    views = tuple(finding_view(finding, end) for finding in findings if finding.opened_at < until)
    devices = store.devices(end)
    stays = store.presence(since, end)
    return WeekReport(
        site=site,
        since=since,
        until=until,
        made_at=now,
        standings=stand(site, ledger, seen),
        hazards=ledger.hazards,
        flaws=ledger.flaws,
        findings=views,
        segments=segment_views(site, ledger, seen),
        delays=_delays(site, store, since, end),
        presence=_presence(site, stays, since, end),
        changes=_changes(site, devices, views, since, end),
        sources=tuple(map(source_view, seen.sources)),
        cautions=cautions_for(site),
    )


def _delays(site: Site, store: Store, since: datetime, until: datetime) -> tuple[DelaySeries, ...]:
    places = [f"segment:{name}/gateway" for name in site.segment]
    devices = [one for one in store.summaries("rtt_s", since, until) if one.place.startswith("device:")]
    devices.sort(key=lambda one: (one.p95_mean is None, -(one.p95_mean or 0.0), one.place))
    places += [one.place for one in devices[:WORST_DEVICES]]
    series = (
        DelaySeries(
            place,
            tuple(map(_point, store.hours(place, "rtt_s", since, until))),
            tuple(map(_point, store.days(place, "rtt_s", since, until))),
        )
        for place in places
    )
    return tuple(one for one in series if one.hourly)


def _point(rollup: Rollup) -> DelayPoint:
    return DelayPoint(rollup.at, rollup.asked, rollup.lost, rollup.p50, rollup.p95)


def _presence(site: Site, stays: list[Interval], since: datetime, until: datetime) -> tuple[PresencePoint, ...]:
    """Count, for each hour and segment, the devices whose presence touches that hour."""
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
    )


def _changes(
    site: Site, devices: list[Device], findings: tuple[FindingView, ...], since: datetime, until: datetime
) -> tuple[DeviceChange, ...]:
    began = min((device.first_at for device in devices), default=until)
    changes = [
        DeviceChange("new", device.first_at, _named(device), device.mac, _segment(device))
        for device in devices
        if since <= device.first_at < until and device.first_at - began > SETTLING
    ]
    for finding in findings:
        if finding.rule == "missing" and since <= finding.opened_at:
            name = finding.place.partition(":")[2]
            planned = site.device.get(name)
            segment = (planned.segment if planned else None) or next(iter(site.segment))
            changes.append(DeviceChange("missing", finding.opened_at, name, "", segment, finding.text))
            if finding.closed_at is not None:
                changes.append(DeviceChange("back", finding.closed_at, name, "", segment))
    return tuple(sorted(changes, key=lambda change: change.at))


def _named(device: Device) -> str:
    return device.names[0].name if device.names else device.mac


def _segment(device: Device) -> str:
    return device.addresses[0].segment if device.addresses else ""
