"""
What this process is told by signals: SIGTERM and SIGINT to end, SIGHUP to take its plan anew.

They are heard from its first moment on, before what it needs is loaded: the kernel keeps a signal from the first process of a
container that has no handler for it. And none is lost while one plan ends and the next begins.
"""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Orders:
    """
    What was told so far: `end` for good, `again` until who takes the plan anew sets it back.

    Until somebody hears, nothing is watched that must be ended with care: an order to end is then obeyed at once.
    """

    def __init__(self) -> None:
        self.end = self.again = False
        self._heard: Callable[[], object] = self._leave
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._take)

    def hear(self, heard: Callable[[], object]) -> None:
        """Have `heard` called at each order from now on, between any two steps of the main thread."""
        self._heard = heard

    def _take(self, number: int, _: object) -> None:
        if number == signal.SIGHUP:
            self.again = True
        else:
            self.end = True
        self._heard()

    def _leave(self) -> None:
        if self.end:
            raise SystemExit(0)
