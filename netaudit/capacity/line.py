"""
The ledger's values: a line is one thing that can run out in one place.

Everything a person sees of the plan is made of these: lines, hazards (can break equipment or hurt someone) and flaws
(the plan as drawn doesn't fit together). Units are SI inside (W, bit/s, m, s, B); the edge makes them friendly.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

PRACTICE = "common practice, no source"
USER = "the site plan"


class Kind(StrEnum):
    """What can run out. Closed: a new kind is a new subject, with its module, its heading and its rule."""

    PORTS = "ports"
    POWERED_PORTS = "powered_ports"
    POWER = "power"
    PORT_POWER = "port_power"
    AIRTIME = "airtime"
    STATIONS = "stations"
    ADDRESSES = "addresses"
    LINK_UP = "link_up"
    LINK_DOWN = "link_down"
    ROUTED = "routed"
    HOPS = "hops"
    CABLE = "cable"
    DEVICE_COUNT = "device_count"
    RECORDING = "recording"
    WRITE = "write"
    BACKUP = "backup"
    MONEY = "money"


class State(StrEnum):
    """Where a line stands. A word and a shape always go with a colour."""

    WITHIN = "within"
    TIGHT = "tight"
    OVER = "over"
    UNMEASURED = "unmeasured"


WORST_FIRST: Final = (State.OVER, State.TIGHT, State.WITHIN, State.UNMEASURED)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a line's arithmetic, for people: what it is, its value and unit, and where the number is from."""

    text: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Line:
    """
    One capacity line.

    supply   what the place has, in `unit`; may be math.inf where nothing limits
    ceiling  the share of the supply that we plan to use, 0..1, and why
    planned  the demand of the plan as drawn; grown: the same with the site's growth margin
    basis    where the demand's numbers come from: a standard with its clause, a paper, or "common practice, no source"
    steps    the arithmetic, in order; inputs: the plan's own values that went in
    """

    kind: Kind
    place: str
    unit: str
    supply: float
    ceiling: float
    ceiling_reason: str
    planned: float
    grown: float
    basis: str
    steps: tuple[Step, ...] = ()
    inputs: tuple[tuple[str, str], ...] = ()
    note: str = ""

    @property
    def usable(self) -> float:
        """The part of the supply that we plan to use [unit]."""
        return self.supply * self.ceiling

    @property
    def headroom(self) -> float:
        """What is left under the ceiling as planned, negative when beyond it [unit]."""
        return self.usable - self.planned

    @property
    def state(self) -> State:
        """State of the plan as drawn."""
        return state_of(self.planned, self.supply, self.ceiling)

    @property
    def grown_state(self) -> State:
        """State with the growth margin."""
        return state_of(self.grown, self.supply, self.ceiling)


# Sums of many small demands differ from their mathematical value in the last digits; a full pool is not an overfull one.
_ROUNDING = 1e-9


def state_of(demand: float, supply: float, ceiling: float) -> State:
    """Judge one demand against its supply: within the ceiling, tight (between ceiling and supply) or over."""
    slack = _ROUNDING * max(abs(supply), 1.0) if supply != float("inf") else 0.0
    if demand <= supply * ceiling + slack:
        return State.WITHIN
    return State.TIGHT if demand <= supply + slack else State.OVER


@dataclass(frozen=True, slots=True)
class Hazard:
    """Something that can break equipment or hurt someone. Never averaged away, always printed first."""

    kind: str
    place: str
    text: str
    cure: str
    basis: str


@dataclass(frozen=True, slots=True)
class Flaw:
    """The plan as drawn doesn't fit together: a drop that ends where no switch is, a cable too long. With its cure."""

    kind: str
    place: str
    text: str
    cure: str
    basis: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one subject says of a plan."""

    lines: tuple[Line, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    flaws: tuple[Flaw, ...] = field(default=())
