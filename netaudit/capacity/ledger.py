"""The ledger: every subject asked about the same plan, and their answers gathered. A new subject is one line here."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from netaudit.capacity import addresses, backup, links, money, poe, ports, radio, recording
from netaudit.capacity.line import Flaw, Hazard, Line, State
from netaudit.capacity.patching import patch

if TYPE_CHECKING:
    from collections.abc import Callable

    from netaudit.capacity.line import Verdict
    from netaudit.capacity.patching import Patching
    from netaudit.site.model import Site

    Subject = Callable[[Site], Verdict]


@dataclass(frozen=True, slots=True)
class Ledger:
    """What the plan can carry, and what in it can hurt or doesn't fit."""

    lines: tuple[Line, ...]
    hazards: tuple[Hazard, ...]
    flaws: tuple[Flaw, ...]

    def line(self, kind: str, place: str) -> Line | None:
        """Find one line, None when the plan has none such."""
        return next((line for line in self.lines if line.kind == kind and line.place == place), None)

    @property
    def state(self) -> State:
        """The worst state of any line as planned; a hazard or a flaw is as bad as a line that is over."""
        if self.hazards or self.flaws or any(line.state is State.OVER for line in self.lines):
            return State.OVER
        return State.TIGHT if any(line.state is State.TIGHT for line in self.lines) else State.WITHIN


def gather(site: Site, subjects: tuple[Subject, ...] | None = None) -> Ledger:
    """Ask every subject (all of ours when none are named) about a checked plan. Pure: same plan, same ledger."""
    verdicts = [subject(site) for subject in (subjects or own_subjects(patch(site)))]
    return Ledger(
        lines=tuple(line for verdict in verdicts for line in verdict.lines),
        hazards=tuple(hazard for verdict in verdicts for hazard in verdict.hazards),
        flaws=tuple(flaw for verdict in verdicts for flaw in verdict.flaws),
    )


def own_subjects(patching: Patching) -> tuple[Subject, ...]:
    """
    All subjects, in the order in which a person reads them: what can burn, what is plugged, what is on the air.

    Args:      patching of the plan that they will be asked about, solved once for the four of them that need it.
    """
    return (
        partial(poe.judge, patching=patching),
        partial(ports.judge, patching=patching),
        radio.judge,
        partial(links.judge, patching=patching),
        addresses.judge,
        recording.judge,
        partial(backup.judge, patching=patching),
        money.judge,
    )
