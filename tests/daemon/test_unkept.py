"""What the store can't keep is told once, with what was lost by it."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from netaudit.daemon.unkept import Unkept
from netaudit.errors import StoreError
from netaudit.store.write import Counters
from tests.clock import Clock

if TYPE_CHECKING:
    import pytest

FULL = StoreError("site.db: the disk is full: free some space")


def test_a_trouble_that_lasts_is_said_once_and_how_much_it_cost(caplog: pytest.LogCaptureFixture) -> None:
    """A line when it begins, one when the first observation is lost, one with their number when it is over; then anew."""
    caplog.set_level(logging.INFO)
    clock, counters = Clock(), Counters(dropped=5)
    unkept = Unkept(counters, clock.now)
    unkept.kept(clock.forward(minutes=1))
    assert unkept.condition(clock.now).good
    began = clock.forward(minutes=1)
    for lost in (0, 0, 7, 30):
        counters.dropped = 5 + lost
        unkept.failed(FULL, clock.now)
        clock.forward(minutes=1)
    told = unkept.condition(clock.now)
    assert (told.good, told.since, told.until) == (False, began, clock.now)
    assert told.reason == f"{FULL}; 30 observations are lost"
    over = clock.now
    unkept.kept(over)
    assert (unkept.condition(over).good, unkept.condition(over).reason, unkept.condition(over).since) == (
        True,
        "",
        over,
    )
    unkept.failed(FULL, clock.now)
    assert unkept.condition(clock.now).reason == str(FULL)
    first, losing, again, anew = (record.getMessage() for record in caplog.records)
    assert first == anew == str(FULL)
    assert "the oldest observations are lost" in losing
    assert again == "what waited since 2026-01-05 10:02:00 UTC is kept, but for 30 observations that are lost"
