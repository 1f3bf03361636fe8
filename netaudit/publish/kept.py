"""What the pages show of what was kept: devices and their past, networks, findings and what people say of them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

from netaudit.audit import vocabulary
from netaudit.audit.roster import enrol
from netaudit.audit.seen import SILENT_SWEEPS
from netaudit.errors import OutOfRange
from netaudit.publish.changes import begun, change_words, changes_of, name_of
from netaudit.publish.state import finding_view
from netaudit.publish.text import harmless
from netaudit.publish.week import HOUR, WEEK, delay_series, presence_points

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from netaudit.publish.night import Nights
    from netaudit.publish.plots import DelayPlot, PresencePlot
    from netaudit.publish.views import FindingView
    from netaudit.site.model import Site
    from netaudit.store.outbox import Waiting
    from netaudit.store.records import Device, Document, Interval, Name
    from netaudit.store.store import Store

# Settled findings are shown for a month; the weekly reports keep the rest.
SETTLED_BACK: Final = timedelta(days=30)
# A person's reason is a sentence; the database needs no essays from whoever found the form.
LONGEST_REASON: Final = 200
# Nobody is told of a muted finding: a mute that outlasts this would be forgotten.
LONGEST_MUTE: Final = timedelta(days=366)
# A page with more rows is read by nobody, and a small box must write it; the search finds the others.
MOST_ROWS: Final = 500
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_MAC: Final = re.compile(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}")

Order = Literal["name", "network", "address", "first", "last"]
ORDERS: Final[tuple[Order, ...]] = ("name", "network", "address", "first", "last")


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """One device in the list. `name` is empty when nothing calls it anything; `planned`: the plan knows it."""

    mac: str
    name: str
    planned: bool
    segment: str
    address: str
    first_at: datetime
    last_at: datetime | None
    here: bool


@dataclass(frozen=True, slots=True)
class DeviceList:
    """The rows that were asked for, how many there are in all, and how many of the found are not shown."""

    rows: tuple[DeviceRow, ...]
    total: int
    more: int


@dataclass(frozen=True, slots=True)
class DevicePast:
    """One device: itself, all its addresses and names, when it was there in the last week, and how it answered."""

    row: DeviceRow
    device: Device
    names: tuple[Name, ...]
    stays: tuple[Interval, ...]
    delay: DelayPlot


@dataclass(frozen=True, slots=True)
class SegmentPast:
    """One network in the last week: who was there, and how its gateway answered."""

    presence: PresencePlot | None
    delay: DelayPlot


class Kept:
    """
    The store as the pages read it.

    Args:      now gives the aware present.
    Raises:    StoreError, from every method: the store can't be read.
    """

    def __init__(self, store: Store, site: Site, now: Callable[[], datetime]) -> None:
        self._store = store
        self._site = site
        self._now = now
        self._roster = enrol(site)

    @cached_property
    def nights(self) -> Nights:
        """The moves from kept baselines. What compares them is loaded when somebody first looks: most sites moved long ago."""
        from netaudit.publish.night import Nights  # noqa: PLC0415 - see above

        return Nights(self._store, self._site, self._now)

    def baselines(self) -> tuple[tuple[str, datetime], ...]:
        """List the kept baselines' names and when each was kept, the latest first."""
        return tuple(reversed(self._store.baseline_names()))

    def devices(self, search: str = "", order: Order = "name") -> DeviceList:
        """List the devices whose name, address, MAC or network has the searched text in it."""
        rows = [self._row(device) for device in self._store.devices(self._now())]
        wanted = search.strip().lower()
        found = [row for row in rows if wanted in f"{row.name} {row.address} {row.mac} {row.segment}".lower()]
        found.sort(key=lambda row: _place_in(order, row))
        return DeviceList(tuple(found[:MOST_ROWS]), len(rows), max(0, len(found) - MOST_ROWS))

    def device(self, mac: str) -> DevicePast | None:
        """Give one device's past week; None if there is no such device."""
        from netaudit.publish.plots import delay_plot  # noqa: PLC0415 - needs 2 MB that a watch without visitors doesn't

        if _MAC.fullmatch(mac) is None:
            return None
        now = self._now()
        device = next((one for one in self._store.devices(now) if one.mac == mac), None)
        if device is None:
            return None
        stays = self._store.presence(now - WEEK, now, mac)
        series = delay_series(self._store, f"device:{mac}", now - WEEK, now)
        row = self._row(device)
        return DevicePast(
            row,
            device,
            device.spoken_names,
            tuple(reversed(stays)),
            delay_plot(replace(series, name=row.name), self._site),
        )

    def segment(self, name: str) -> SegmentPast:
        """Give one network's past week."""
        from netaudit.publish.plots import delay_plot, presence_plot  # noqa: PLC0415 - as above

        now = self._now()
        since = (now - WEEK).replace(minute=0, second=0, microsecond=0) + HOUR
        first_at = begun(self._store.devices(now))
        points = presence_points(self._site, self._store.presence(since, now), since, now, begun=first_at)
        ours = [point for point in points if point.segment == name]
        series = delay_series(self._store, f"segment:{name}/gateway", since, now)
        seen = any(point.present for point in ours)
        return SegmentPast(presence_plot(ours, self._site) if seen else None, delay_plot(series, self._site))

    def answers(self) -> dict[str, tuple[float | None, float | None]]:
        """Give of each network's gateway the last day's worst hourly 95th percentile [s] and share of lost echoes."""
        now = self._now()
        return {
            one.place.removeprefix("segment:").removesuffix("/gateway"): (
                one.p95_worst,
                one.lost / one.asked if one.asked else None,
            )
            for one in self._store.summaries(vocabulary.RTT_S, now - timedelta(days=1), now)
            if one.place.startswith("segment:") and one.place.endswith("/gateway")
        }

    def waiting(self) -> tuple[Waiting, ...]:
        """List the alert channels for which messages wait; those that a channel gathers for a digest are listed apart."""
        return tuple(self._store.letters_waiting())

    def open_findings(self) -> tuple[FindingView, ...]:
        """List the open findings, oldest first."""
        now = self._now()
        return tuple(finding_view(finding, now) for finding in self._store.open_findings())

    def settled_findings(self) -> tuple[FindingView, ...]:
        """List the findings that were settled lately, the latest first."""
        now = self._now()
        settled = self._store.closed_findings(now - SETTLED_BACK, now + timedelta(seconds=1))
        return tuple(finding_view(finding, now) for finding in reversed(settled))

    def changed(self) -> list[str]:
        """Say in a few sentences what changed in the last week."""
        now = self._now()
        week = now - WEEK, now + timedelta(seconds=1)
        found = (*self._store.open_findings(), *self._store.closed_findings(*week))
        findings = tuple(finding_view(finding, now) for finding in found)
        changes = changes_of(self._site, self._roster, self._store.devices(now), findings, week)
        return change_words(self._site, changes, findings, week)

    def acknowledge(self, key: str, reason: str) -> None:
        """Note that a person has seen an open finding. Raises OutOfRange: no reason was given."""
        self._store.acknowledge_finding(key, self._now(), _reason(reason))

    def mute(self, key: str, last: date, reason: str) -> None:
        """Tell nothing of an open finding up to the end of a day. Raises OutOfRange: the day is over or too far, no reason."""
        end = datetime.combine(last + timedelta(days=1), time(), ZoneInfo(self._site.site.time_zone))
        if not self._now() < end <= self._now() + LONGEST_MUTE:
            raise OutOfRange(f"{last}: write a day from today to one year ahead")
        self._store.mute_finding(key, end, _reason(reason))

    def certificates(self) -> tuple[Document, ...]:
        """List the certificates, the latest first."""
        return tuple(reversed(self._store.certificates()))

    def certificate(self, key: str) -> str | None:
        """Give a certificate's text by its SHA-256; None if there is none."""
        if _SHA256.fullmatch(key) is None:
            return None
        return next((one.document for one in self._store.certificates() if one.key == key), None)

    def _row(self, device: Device) -> DeviceRow:
        latest = device.addresses[0] if device.addresses else None
        thing = self._roster.recognise(device.mac, (one.address for one in device.addresses))
        patience_s = thing.silent_after_s if thing else SILENT_SWEEPS * self._site.looking.sweep_every_s
        silent_s = (self._now() - device.last_at).total_seconds() if device.last_at is not None else float("inf")
        return DeviceRow(
            mac=device.mac,
            name=harmless(name_of(device, self._roster, self._site)),
            planned=thing is not None,
            segment=latest.segment if latest else "",
            address=latest.address if latest else "",
            first_at=device.first_at,
            last_at=device.last_at,
            here=silent_s <= patience_s,
        )


def _reason(written: str) -> str:
    reason = harmless(written.strip(), LONGEST_REASON)
    if not reason:
        raise OutOfRange("a finding is acknowledged or muted with a reason: write why")
    return reason


def _place_in(order: Order, row: DeviceRow) -> tuple[object, ...]:
    """Give what a row is sorted by; what has no name or address stands last, the latest seen first."""
    last_s = row.last_at.timestamp() if row.last_at is not None else 0.0
    if order == "network":
        return (row.segment, not row.name, row.name.lower(), row.mac)
    if order == "address":
        return (not row.address, *_numbers(row.address), row.mac)
    if order == "first":
        return (-row.first_at.timestamp(), row.mac)
    if order == "last":
        return (-last_s, row.mac)
    return (not row.name, row.name.lower(), row.mac)


def _numbers(address: str) -> tuple[object, ...]:
    """Make IPv4 addresses sort by their numbers, before those of IPv6."""
    parts = address.split(".")
    return (0, *(int(part) for part in parts)) if len(parts) == 4 and all(map(str.isdigit, parts)) else (1, address)
