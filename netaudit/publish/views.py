"""What is shown, as plain frozen values: filled by whoever judges and keeps, read by metrics, page and report."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from netaudit.audit.standing import Standing
    from netaudit.capacity.line import Flaw, Hazard
    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class FindingView:
    """
    One finding, for people.

    text    one sentence; cure: what to do, empty when there is no more to say; quiet: acknowledged or muted by a person
    merged  it was closed because a wider finding tells it since then, not because it is over
    key     names it among the open ones; reason: what the person wrote, muted_until: for how long, when it was muted
    """

    rule: str
    place: str
    text: str
    cure: str
    opened_at: datetime
    closed_at: datetime | None
    quiet: bool = False
    merged: bool = False
    key: str = ""
    reason: str = ""
    acknowledged_at: datetime | None = None
    muted_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class SourceView:
    """How a source of observations is doing; `good_at` is None when it never answered, `reason` why it fails now."""

    source: str
    good_at: datetime | None
    good: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SegmentView:
    """Devices of a segment: as planned, and seen lately (None when nobody has looked yet)."""

    segment: str
    planned: int
    present: int | None


@dataclass(frozen=True, slots=True)
class PageState:
    """
    All that page and metrics show at one moment.

    at      when it was judged; None before the first time
    unkept  findings among these that the store could not take yet
    jobs    ("ran" | "failed" | "missed" | "overlapped", job) -> how often since the start; jumps: of the clock
    """

    site: Site
    at: datetime | None
    standings: tuple[Standing, ...]
    hazards: tuple[Hazard, ...] = ()
    flaws: tuple[Flaw, ...] = ()
    findings: tuple[FindingView, ...] = ()
    unkept: tuple[FindingView, ...] = ()
    sources: tuple[SourceView, ...] = ()
    segments: tuple[SegmentView, ...] = ()
    jobs: Mapping[tuple[str, str], int] = field(default_factory=dict)
    jumps: int = 0


def headroom(standing: Standing) -> float:
    """Give what is left under the ceiling by the larger of plan and observation [unit of the line]; negative beyond it."""
    asked = standing.line.planned
    if standing.observed is not None:
        asked = max(asked, standing.observed.latest)
    return standing.line.usable - asked
