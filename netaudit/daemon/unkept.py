"""Whether the store takes what the watch gives it: told like any other source, but never kept by the store that fails."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from netaudit.audit.vocabulary import STORE
from netaudit.store.records import Condition

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.errors import StoreError
    from netaudit.store.write import Counters

log = logging.getLogger(__name__)


class Unkept:
    """
    What the store could not keep, and since when.

    A disk that is full stays so for hours: its line is logged once, not each time that something waits to be written.

    Args:      counters: those of the store; now: when it was opened.
    """

    def __init__(self, counters: Counters, now: datetime) -> None:
        self._counters = counters
        self._since = now
        self._reason = ""
        # Observations lost before the trouble that lasts, and whether it was said that more are.
        self._lost_before = counters.dropped
        self._loses = False

    def failed(self, error: StoreError, now: datetime) -> None:
        """Note that the store refused something; what waits goes on waiting, up to the store's bound."""
        if str(error) != self._reason:
            log.error("%s", error)
        if not self._reason:
            self._since = now
        self._reason = str(error)
        if self._lost and not self._loses:
            log.error("more waits for the store than can be held: the oldest observations are lost")
            self._loses = True

    def kept(self, now: datetime) -> None:
        """Note that all that waited is kept."""
        if not self._reason:
            return
        log.warning(
            "what waited since %s is kept, but for %d observations that are lost", f"{self._since:%F %T %Z}", self._lost
        )
        self._since, self._reason, self._lost_before, self._loses = now, "", self._counters.dropped, False

    def condition(self, now: datetime) -> Condition:
        """Tell how the store does, as of any source."""
        lost = f"; {self._lost} observations are lost" if self._lost else ""
        return Condition(STORE, not self._reason, f"{self._reason}{lost}", self._since, now)

    @property
    def _lost(self) -> int:
        return self._counters.dropped - self._lost_before
