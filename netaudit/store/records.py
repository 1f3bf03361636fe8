"""What the store gives back: frozen values, moments aware in UTC, numbers in the unit that their kind names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.observe.observation import UNSPOKEN

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class Address:
    """An address that a device was seen with."""

    address: str
    segment: str
    how: str
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Name:
    """A name that a device gave itself or that was given it; origin: the protocol that carried it."""

    name: str
    origin: str
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Device:
    """Something with a MAC, with all its addresses and names, the latest first; last_at None: only heard by name."""

    mac: str
    first_at: datetime
    last_at: datetime | None
    addresses: tuple[Address, ...]
    names: tuple[Name, ...]

    @property
    def spoken_names(self) -> tuple[Name, ...]:
        """Its names for people: without client identifiers and services."""
        return tuple(name for name in self.names if name.origin not in UNSPOKEN)


@dataclass(frozen=True, slots=True)
class Interval:
    """A device was on this segment from its first to its last sighting, with no gap over its tolerance."""

    mac: str
    segment: str
    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class Reading:
    """One kept sample; value None: asked and not answered."""

    at: datetime
    value: float | None


@dataclass(frozen=True, slots=True)
class Rollup:
    """
    One hour or day of a series, beginning `at`.

    asked: samples; lost: those not answered. The rest describe the answered ones, None if there were none; p50 and p95
    by nearest rank, so each is a value that was measured.
    """

    at: datetime
    place: str
    kind: str
    asked: int
    lost: int
    low: float | None
    mean: float | None
    p50: float | None
    p95: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Summary:
    """
    A span of roll-ups of one series taken together.

    mean is weighted by answers; p95_mean is the mean of the hours' (or days') 95th percentiles, which is not the
    percentile of the span; p95_worst the greatest of them.
    """

    place: str
    kind: str
    asked: int
    lost: int
    low: float | None
    mean: float | None
    p95_mean: float | None
    p95_worst: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Heard:
    """A notice as kept: what was said, when first and last, and how many times."""

    place: str
    kind: str
    detail: tuple[tuple[str, str], ...]
    first_at: datetime
    last_at: datetime
    times: int


@dataclass(frozen=True, slots=True)
class Condition:
    """How a source does since its last change; until: its latest attempt."""

    source: str
    good: bool
    reason: str
    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class Document:
    """A baseline, certificate or plan as it was given; key: its name or its SHA-256."""

    key: str
    at: datetime
    document: str
