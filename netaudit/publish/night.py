"""
The night of a move as the watch sees it: a kept baseline against what is there now, reckoned at most once in a few seconds.

However many people look at the page, and however often, the small box does the work once.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import TYPE_CHECKING, Final, TypeVar

from netaudit.audit.kept import evidence_from, late_by
from netaudit.audit.moving.baseline import read_baseline
from netaudit.audit.moving.cutover import progress
from netaudit.audit.moving.migration import plan_move

if TYPE_CHECKING:
    from collections.abc import Callable

    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.cutover import Progress
    from netaudit.audit.moving.migration import Migration
    from netaudit.site.model import Site
    from netaudit.store.store import Store

T = TypeVar("T")
# As far back as `netaudit cutover --store` looks: the store writes down hourly when an address was last used.
SPAN: Final = timedelta(hours=4)
# What is there changes with each sweep and echo, not between two people who look at the page.
HOLDS: Final = timedelta(seconds=5)
# Moves that are held ready: who renews a network in parts has a few. A baseline of 4,093 devices takes 2 MB (measured).
HELD: Final = 4


@dataclass(frozen=True, slots=True)
class Night:
    """How a move stands at a moment."""

    baseline: Baseline
    progress: Progress
    at: datetime


class Nights:
    """
    The moves of one site.

    Args:      now gives the aware present.
    Raises:    StoreError: the store can't be read. CaptureError: a kept baseline is of another version, or damaged.
    """

    def __init__(self, store: Store, site: Site, now: Callable[[], datetime]) -> None:
        self._store = store
        self._site = site
        self._now = now
        self._lock = Lock()
        self._read: OrderedDict[str, tuple[datetime, Baseline]] = OrderedDict()
        self._last: OrderedDict[str, Night] = OrderedDict()

    def look(self, name: str) -> Night | None:
        """Say how the move from this baseline stands; None if none is kept under the name."""
        with self._lock:
            baseline = self._baseline(name)
            now, last = self._now(), self._last.get(name)
            if baseline is None:
                return None
            if last is None or last.baseline is not baseline or not timedelta(0) <= now - last.at < HOLDS:
                evidence = evidence_from(self._store, now - SPAN, now, numbers=False)
                late = late_by(self._store)
                last = Night(baseline, progress(baseline, self._site, evidence, late=late), now)
                _hold(self._last, name, last)
            return last

    def plan(self, name: str) -> tuple[Baseline, Migration] | None:
        """Give the plan of the move from this baseline; None if none is kept under the name."""
        with self._lock:
            baseline = self._baseline(name)
        return None if baseline is None else (baseline, plan_move(baseline, self._site))

    def _baseline(self, name: str) -> Baseline | None:
        """Read a baseline, unless it is one of those that were read last."""
        kept_at = dict(self._store.baseline_names()).get(name)
        if kept_at is None:
            return None
        known = self._read.get(name)
        if known is None or known[0] != kept_at:
            document = self._store.baseline(name)
            if document is None:
                return None
            known = kept_at, read_baseline(document.document, f'baseline "{name}"')
            _hold(self._read, name, known)
        return known[1]


def _hold(held: OrderedDict[str, T], name: str, one: T) -> None:
    held[name] = one
    held.move_to_end(name)
    while len(held) > HELD:
        held.popitem(last=False)
