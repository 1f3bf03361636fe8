"""What a weekly report is made of, as plain frozen values: the store's week, brought together by whoever keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.calibration import Calibration
    from netaudit.audit.forecast import Forecast
    from netaudit.audit.standing import Standing
    from netaudit.capacity.line import Flaw, Hazard, Line
    from netaudit.publish.views import FindingView, SegmentView, SourceView
    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class DelayPoint:
    """Echoes of one hour or one day, which begins at `at`: how many were asked and lost, and the answers' round trips."""

    at: datetime
    asked: int
    lost: int
    p50_s: float | None
    p95_s: float | None

    @property
    def loss(self) -> float | None:
        """Share of the echoes that stayed unanswered; None when none was sent."""
        return self.lost / self.asked if self.asked else None


@dataclass(frozen=True, slots=True)
class DelaySeries:
    """
    Echoes to one place over the week.

    A day is counted from its echoes, not from its hours (a percentile of percentiles is none), so both are given.
    `name` is what people call the place, empty where its own words say it.
    """

    place: str
    hourly: tuple[DelayPoint, ...]
    daily: tuple[DelayPoint, ...]
    name: str = ""


@dataclass(frozen=True, slots=True)
class PresencePoint:
    """Devices of a segment that were there in the hour that begins at `at`."""

    at: datetime
    segment: str
    present: int


@dataclass(frozen=True, slots=True)
class DeviceChange:
    """
    A device that came, left for longer than its kind may, or came back.

    name  the best that is known of it, empty when nothing is; segment is empty when it was never seen on one
    """

    change: Literal["new", "missing", "back"]
    at: datetime
    name: str
    mac: str
    segment: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class Drift:
    """A line's greatest use in this week and in the week before, in its unit."""

    line: Line
    before: float
    now: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """When a line reaches its ceiling, as far as its past tells."""

    line: Line
    forecast: Forecast


@dataclass(frozen=True, slots=True)
class WeekReport:
    """
    One week of one site: [since, until), made at `made_at`; all times are aware.

    findings      open at the end, or closed within the week
    tighter       lines whose greatest use rose against the week before, the most risen first
    outlooks      of every line that has a past; calibrations: of every radio that announces how busy it is
    reminders     what wants looking after; cautions: what the reader must know of such figures, in general
    """

    site: Site
    since: datetime
    until: datetime
    made_at: datetime
    standings: tuple[Standing, ...]
    hazards: tuple[Hazard, ...] = ()
    flaws: tuple[Flaw, ...] = ()
    findings: tuple[FindingView, ...] = ()
    segments: tuple[SegmentView, ...] = ()
    delays: tuple[DelaySeries, ...] = ()
    presence: tuple[PresencePoint, ...] = ()
    changes: tuple[DeviceChange, ...] = ()
    sources: tuple[SourceView, ...] = ()
    tighter: tuple[Drift, ...] = ()
    outlooks: tuple[Outlook, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    reminders: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
