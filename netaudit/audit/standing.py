"""A ledger line beside what the network says of it now: the value that page, report, metrics and rules all read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.line import WORST_FIRST, State, state_of

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.capacity.line import Line


@dataclass(frozen=True, slots=True)
class Observed:
    """What was observed for one line, in the line's unit; `p95` None until there is enough to say it."""

    latest: float
    p95: float | None
    at: datetime
    evidence: str


@dataclass(frozen=True, slots=True)
class Standing:
    """One line, planned and observed."""

    line: Line
    observed: Observed | None

    @property
    def observed_state(self) -> State:
        """State of what was observed; unmeasured when nothing was."""
        if self.observed is None:
            return State.UNMEASURED
        return state_of(self.observed.latest, self.line.supply, self.line.ceiling)

    @property
    def state(self) -> State:
        """The worse of plan and observation."""
        return min(self.line.state, self.observed_state, key=WORST_FIRST.index)
