from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from netaudit.observe.observation import How, Sample, Sighting
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
MACS = tuple(f"02:00:00:00:00:{last:02x}" for last in range(3))


def _clock() -> datetime:
    return NOW


@given(
    sightings=st.lists(
        st.tuples(st.integers(0, 3000), st.sampled_from(MACS), st.sampled_from(["home", "things"])), max_size=40
    ),
    back_min=st.integers(0, 3000),
    again=st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_the_last_stays_are_the_last_of_all_stays(
    tmp_path_factory: pytest.TempPathFactory, sightings: list[tuple[int, str, str]], back_min: int, *, again: bool
) -> None:
    """Two methods agree: of all intervals that `presence` gives, the last of each device and segment; also after a restart."""
    path = tmp_path_factory.mktemp("spans") / "x.db"
    since = NOW - timedelta(minutes=back_min)
    store = Store.open(path, site="x", clock=_clock)
    for ago, mac, segment in sorted(sightings, reverse=True):
        at = NOW - timedelta(minutes=ago)
        store.write([Sighting(at, segment, mac, None, How.ARP)])
        store.flush(at)
    if again:
        store.close()
        store = Store.open(path, site="x", clock=_clock)
    last = {(stay.mac, stay.segment): stay for stay in store.presence(since, NOW + timedelta(hours=1))}
    assert store.last_stays(since) == [last[key] for key in sorted(last)]
    store.close()


def test_an_end_that_is_not_yet_on_disk_counts(tmp_path: Path) -> None:
    """Ends are written every few minutes only; what the writer knows of the last minute is told all the same."""
    with Store.open(tmp_path / "x.db", site="x", clock=_clock) as store:
        for ago in (60, 0):
            at = NOW - timedelta(seconds=ago)
            store.write([Sighting(at, "home", MACS[0], None, How.ARP)])
            store.flush(at)
        (stay,) = store.last_stays(NOW - timedelta(days=1))
        assert (stay.since, stay.until) == (NOW - timedelta(seconds=60), NOW)


def test_all_series_of_a_span_are_those_read_one_by_one(tmp_path: Path) -> None:
    """Each series of the span has the readings that asking for it alone gives, lost ones included, and no other is there."""
    since = NOW - timedelta(minutes=10)
    with Store.open(tmp_path / "x.db", site="x", clock=_clock) as store:
        for minute in range(20, -1, -1):
            at = NOW - timedelta(minutes=minute)
            store.write([Sample(at, "device:a", "rtt_s", None if minute % 3 == 0 else 0.001 * minute)])
            store.write([Sample(at, "switch:b", "power_w", 30.0 + minute)])
        store.write([Sample(NOW - timedelta(minutes=15), "switch:old", "power_w", 1.0)])
        store.flush(NOW)
        found = store.series_all(since, NOW)
        assert set(found) == {("device:a", "rtt_s"), ("switch:b", "power_w")}
        for (place, kind), readings in found.items():
            assert readings == store.series(place, kind, since, NOW)


def test_the_last_stays_are_found_by_an_index(tmp_path: Path) -> None:
    """SQLite's plan of each statement says SEARCH, never SCAN, of the intervals that are over."""
    sent: list[tuple[str, object]] = []
    with Store.open(tmp_path / "x.db", site="x", clock=_clock) as store:
        store.write(
            [Sighting(NOW - timedelta(hours=hour), "home", MACS[0], None, How.ARP) for hour in range(9, -1, -1)]
        )
        store.flush(NOW)

        def note(_connection: object, _cursor: object, statement: str, given: object, *_: object) -> None:
            sent.append((statement, given))

        event.listen(store._engine, "before_cursor_execute", note)
        store.last_stays(NOW - timedelta(days=30))
        event.remove(store._engine, "before_cursor_execute", note)
        with store._engine.connect() as connection:
            steps = [
                str(row[3])
                for statement, given in sent
                if statement.startswith("SELECT")
                for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", given)  # type: ignore[arg-type]
            ]
    assert any("SEARCH presence" in step for step in steps)
    assert not [step for step in steps if "SCAN presence" in step]
