"""Reading: every query in use over the long tables is a range of keys, by SQLite's own plan."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event

from netaudit.observe.observation import How, Sample, Sighting
from netaudit.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.clock import Clock

PLACE, KIND = "device:a", "rtt_s"
WEEK = timedelta(days=7)
LONG = ("samples", "hourly", "daily", "presence")

QUERIES: dict[str, Callable[[Store, Clock], object]] = {
    "latest": lambda store, _: store.latest(PLACE, KIND),
    "latest_all": lambda store, clock: store.latest_all(clock.now, timedelta(minutes=10)),
    "series": lambda store, clock: store.series(PLACE, KIND, clock.now - WEEK, clock.now),
    "series_all": lambda store, clock: store.series_all(clock.now - timedelta(hours=1), clock.now),
    "hours": lambda store, clock: store.hours(PLACE, KIND, clock.now - WEEK, clock.now),
    "days": lambda store, clock: store.days(PLACE, KIND, clock.now - WEEK, clock.now),
    "summaries": lambda store, clock: store.summaries(KIND, clock.now - WEEK, clock.now),
    "weeks": lambda store, clock: store.weeks(KIND, clock.now - WEEK, clock.now),
    "devices": lambda store, clock: store.devices(clock.now),
    "presence": lambda store, clock: store.presence(clock.now - WEEK, clock.now),
    "present": lambda store, clock: store.present(clock.now, timedelta(minutes=5)),
    "flush": lambda store, clock: store.flush(clock.now),
    "rollup": lambda store, clock: store.rollup(clock.now),
    "prune": lambda store, clock: store.prune(clock.now + timedelta(days=500)),
}


@pytest.mark.parametrize("name", QUERIES)
def test_no_query_in_use_reads_a_long_table_from_end_to_end(tmp_path: Path, clock: Clock, name: str) -> None:
    """EXPLAIN QUERY PLAN of each statement that the call sends says SEARCH, never SCAN, of the long tables."""
    with Store.open(tmp_path / "store.db", site="home", clock=clock) as store:
        for _ in range(60):
            at = clock.forward(minutes=30)
            store.write([Sample(at, PLACE, KIND, 0.1), Sighting(at, "lan", "02:00:00:00:00:01", None, How.ARP)])
            store.flush(at)
        store.rollup(clock.now)
        clock.forward(days=2)
        sent: list[tuple[str, Any]] = []
        event.listen(
            store._engine,
            "before_cursor_execute",
            lambda _c, _u, text, values, _x, many: sent.append((text, values[0] if many else values)),
        )
        store.write(
            [Sample(clock.now, PLACE, KIND, 0.2), Sighting(clock.now, "lan", "02:00:00:00:00:01", None, How.ARP)]
        )
        store.write(
            [Sample(clock.now, PLACE, KIND, 0.2), Sighting(clock.now, "lan", "02:00:00:00:00:01", None, How.ARP)]
        )
        QUERIES[name](store, clock)
        asked = [(text, values) for text, values in sent if re.match("SELECT|UPDATE|DELETE|INSERT", text)]
        assert asked
        with store._engine.connect() as connection:
            for text, values in asked:
                plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", values).all()
                steps = [row[3] for row in plan]
                through = rf"SCAN ({'|'.join(LONG)})\b|SEARCH presence .*\(site=\?\)$"
                assert not [step for step in steps if re.match(through, step)], (text, steps)
        if name in {"latest", "series", "hours", "summaries", "presence", "prune"}:
            assert any(table in text for table in LONG for text, _ in asked)


def test_forgetting_is_the_one_that_may(tmp_path: Path, clock: Clock) -> None:
    """The check above can fail: a condition on the series alone is a scan, as SQLite says of a forget."""
    with Store.open(tmp_path / "store.db", site="home", clock=clock) as store, store._engine.connect() as connection:
        plan = connection.exec_driver_sql("EXPLAIN QUERY PLAN DELETE FROM samples WHERE (key & 65535) IN (7)").all()
        assert re.match(r"SCAN samples\b", plan[0][3])
