"""
Measure the store: how large a year is, what a day writes, how fast it takes in, answers and ships.

    python -m benchmarks.store year      250 devices: size of a year, bytes written in a day, report queries
    python -m benchmarks.store ingest    Store.write + flush against sqlite3.executemany of the same rows
    python -m benchmarks.store keys      bytes a row and a day's writes of three ways to key samples and roll-ups
    python -m benchmarks.store fleet     500 sites x 150 devices shipped to a PostgreSQL, against a bare COPY
    python -m benchmarks.store central   bytes a row at a centre that is shipped to each hour, and its log's bytes a row

Bytes written are `write_bytes` of /proc/self/io: what this process sent towards the disk. Give --folder a place on a
real disk: a memory file system counts nothing. All devices and addresses are invented.
"""

from __future__ import annotations

import argparse
import gc
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import psycopg

from netaudit.observe.observation import How, Observation, Sample, Sighting
from netaudit.store.engine import CACHE_KIB
from netaudit.store.key import HOUR_S, key_of, series_of
from netaudit.store.ship import admit, ship
from netaudit.store.store import Store
from tests.store.postgres import own_postgres

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sized

DEVICES = 250
ROAMERS = 60  # phones and the like that come and go, six times a day; the others stay for weeks
END = datetime(2026, 6, 1, tzinfo=UTC)


def written_bytes() -> int:
    """Give the bytes that this process sent towards the disk so far."""
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines())
    return int(fields["write_bytes"])


def peak_mb() -> float:
    """Give the most memory that this process ever held [MB]."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


@dataclass
class House:
    """An invented site: round trips of wired and wireless devices, numbers of ports, and who is at home when."""

    dice: random.Random
    uplinks: int = 0

    def __post_init__(self) -> None:
        """Give each device its typical round trip [s]: three in five wired-like, the rest wireless-like."""
        self.typical = [
            self.dice.uniform(0.0002, 0.0009) if n % 5 < 3 else self.dice.uniform(0.002, 0.03) for n in range(DEVICES)
        ]
        self.away_until = [0.0] * DEVICES

    def mac(self, number: int) -> str:
        """Give a locally administered MAC."""
        return f"02:00:00:00:{number >> 8:02x}:{number & 255:02x}"

    def round_trip(self, number: int) -> float | None:
        """Draw one round trip [s]; one in 200 is lost, one in 30 is slow."""
        draw = self.dice.random()
        if draw < 0.005:
            return None
        return self.typical[number] * (self.dice.uniform(2, 12) if draw < 0.038 else self.dice.gauss(1, 0.08))

    def minute(self, at: datetime, part: int, parts: int) -> Iterator[Observation]:
        """Give what one of `parts` parts of a minute shows: an answer of each device, a number of each port."""
        for number in range(part, DEVICES, parts):
            now = at.timestamp()
            if number < ROAMERS and self.dice.random() < 6 / 1440:
                self.away_until[number] = now + 3600
            if now < self.away_until[number]:
                continue
            mac = self.mac(number)
            yield Sample(at, f"device:{mac}", "rtt_s", self.round_trip(number))
            yield Sighting(at, "gadgets" if number % 3 else "people", mac, f"192.168.7.{number}", How.ECHO)
        for port in range(part, self.uplinks, parts):
            yield Sample(at, f"switch:barn/port:{port}", "rx_bps", self.dice.uniform(1e4, 5e8))


def rolled(house: House, number: int) -> tuple[float, ...]:
    """Draw one hour of a device as it is kept: asked, lost, low, mean, p50, p95, high [us]."""
    typical = house.typical[number] * 1e6
    high = typical * house.dice.uniform(4, 12)
    values = (typical * 0.8, typical * 1.15, typical, typical * house.dice.uniform(1.2, 3), high)
    return (60, house.dice.random() < 0.26, *(float(round(value)) for value in values))


def old_year(path: Path, house: House, until: datetime) -> None:
    """Write the hours, days and intervals of the year before `until`, in the order in which they would have come."""
    begin = int((until - timedelta(days=365)).timestamp())
    with closing(sqlite3.connect(path)) as connection:
        numbers = {place: n for n, place in connection.execute("SELECT id, place FROM series WHERE kind = 'rtt_s'")}
        series = [numbers[f"device:{house.mac(n)}"] for n in range(DEVICES)]
        ports = [n for (n,) in connection.execute("SELECT id FROM series WHERE kind = 'rx_bps'")]
        devices: dict[str, int] = dict(connection.execute("SELECT mac, id FROM devices").fetchall())
        row = "(key, asked, lost, low, mean, p50, p95, high) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
        for hour in range(begin // HOUR_S, int(until.timestamp()) // HOUR_S):
            rows: list[tuple[float, ...]] = [
                (key_of(hour, number), *rolled(house, n)) for n, number in enumerate(series)
            ]
            rows += [
                (key_of(hour, number), 60, 0, *(float(round(house.dice.uniform(1e4, 5e8))) for _ in range(5)))
                for number in ports
            ]
            connection.executemany(f"INSERT OR IGNORE INTO hourly {row}", rows)
            if hour % 24 == 23:
                days = [(key_of(hour // 24, series_of(int(key))), *rest) for key, *rest in rows]
                connection.executemany(f"INSERT OR IGNORE INTO daily {row}", days)
            stays = []
            for n in range(DEVICES):
                if house.dice.random() < (6 / 24 if n < ROAMERS else 1 / 240):
                    end = hour * HOUR_S + house.dice.randrange(HOUR_S)
                    stays.append((1, end, devices[house.mac(n)], "gadgets", end - house.dice.randrange(60, 14_000)))
            connection.executemany(
                "INSERT OR IGNORE INTO presence (site, until, device, segment, since) VALUES (?, ?, ?, ?, ?)",
                sorted(stays),
            )
            connection.commit()


def year(folder: Path, uplinks: int) -> None:
    """Measure a year of 250 devices, a round trip of each every minute, and of further series."""
    path, house = folder / "year.db", House(random.Random(1), uplinks)
    raw_days = 9.0
    at = END - timedelta(days=raw_days)
    clock = [at]
    store = Store.open(path, site="house", clock=lambda: clock[0])
    store.write(house.minute(at, 0, 1))
    house.away_until = [0.0] * DEVICES
    store.write(Sample(at, f"device:{house.mac(n)}", "rtt_s", 0.001) for n in range(DEVICES))
    store.flush(at)
    old_year(path, house, at)
    print(f"365 days of hours, days and intervals written; {path.stat().st_size / 1e6:.1f} MB")

    # The days that are kept raw, hour by hour; the last of them at the pace of the daemon, measured.
    measured_from = END - timedelta(days=1)
    while at < measured_from:
        at += timedelta(minutes=1)
        store.write(house.minute(at, 0, 1))
        if at.minute == 0:
            store.flush(at)
            store.rollup(at)
            store.prune(at)
    before, commits, began = written_bytes(), store.counters.commits, time.perf_counter()
    while at < END:
        at += timedelta(minutes=1)
        for part in range(12):
            now = at + timedelta(seconds=5 * part)
            store.write(house.minute(now, part, 12))
            if store.due(now):
                store.flush(now)
        if at.minute == 4:
            store.rollup(at)
            store.prune(at)
    day_bytes, took = written_bytes() - before, time.perf_counter() - began
    clock[0] = at
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        counts = {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - our own names
            for table in ("samples", "hourly", "daily", "presence")  # names of our own
        }
        sizes = _sizes(connection) if _has_dbstat(connection) else {}
        free = connection.execute("PRAGMA freelist_count").fetchone()[0] * 4096
    size = path.stat().st_size
    print(f"rows: {counts}")
    print(f"size after a year: {size / 1e6:.1f} MB, of it free {free / 1e6:.1f} MB (aim <= 120)")
    for name, count in sizes.items():
        print(f"  {name}: {count / 1e6:.1f} MB")
    print(f"written in a day: {day_bytes / 1e6:.1f} MB in {store.counters.commits - commits} flushes (aim <= 60)")
    print(f"time for that day: {took:.1f} s, {took / 864:.2f} % of one core")
    print(f"peak memory: {peak_mb():.0f} MB")
    queries(path)


def _has_dbstat(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT 1 FROM dbstat LIMIT 1")
    except sqlite3.OperationalError:
        return False
    return True


def _sizes(connection: sqlite3.Connection) -> dict[str, int]:
    rows = connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 8")
    return dict(rows.fetchall())


def queries(path: Path) -> None:
    """Time what a weekly report asks."""
    store = Store.open(path, site="house", clock=lambda: END)
    week, place = timedelta(days=7), "device:02:00:00:00:00:40"
    asked: dict[str, Callable[[], Sized]] = {
        "all devices, this week, by hour": lambda: store.summaries("rtt_s", END - week, END),
        "all devices, last week, by hour": lambda: store.summaries("rtt_s", END - 2 * week, END - week),
        "all devices, 52 weeks, by day": lambda: store.weeks("rtt_s", END - 52 * week, END),
        "one device, a week, raw": lambda: store.series(place, "rtt_s", END - week, END),
        "one device, a day, raw": lambda: store.series(place, "rtt_s", END - timedelta(days=1), END),
        "one device, a week of hours": lambda: store.hours(place, "rtt_s", END - week, END),
        "one device, a year of days": lambda: store.days(place, "rtt_s", END - 52 * week, END),
        "presence, a week": lambda: store.presence(END - week, END),
        "devices": lambda: store.devices(END),
        "latest of all, ten minutes": lambda: store.latest_all(END, timedelta(minutes=10)),
        "all series, one hour, raw": lambda: store.series_all(END - timedelta(hours=1), END),
    }
    total = 0.0
    for name, ask in asked.items():
        began = time.perf_counter()
        got = ask()
        took = time.perf_counter() - began
        total += took
        print(f"query {took:7.3f} s  {name}: {len(got)}")
    print(f"query {total:7.3f} s  together (aim: each < 2)")
    store.close()


def ingest(folder: Path) -> None:
    """
    Compare Store.write + flush with executemany of the same rows, made ready before.

    Both write into a file that Store.open made, with the same settings and as many rows a commit. The time on the clock
    is mostly that of the disk at 250 rows a commit; the processor's time is that of this process.
    """
    house = House(random.Random(2))
    at = END
    batches = []
    for minute in range(1600):
        moment = at + timedelta(minutes=minute)
        # A moment of its own for each, as a paced sweep gives them.
        samples = [
            Sample(moment + timedelta(milliseconds=n), f"device:{house.mac(n)}", "rtt_s", house.round_trip(n))
            for n in range(DEVICES)
        ]
        batches.append((moment, samples))
    # The observations are made before: a daemon never holds 400,000, so looking through them is not part of this.
    gc.collect()
    gc.freeze()
    for together in (1, 40):
        turns = [_ingest_once(folder, batches, together, turn) for turn in range(5)]
        clock, processor = (median(ratios) for ratios in zip(*turns, strict=True))
        print(
            f"{together * DEVICES} rows a commit: median ratio {clock:.2f} by the clock (aim >= 0.5), "
            f"{processor:.2f} of processor time"
        )


def _ingest_once(
    folder: Path, batches: list[tuple[datetime, list[Sample]]], together: int, turn: int
) -> tuple[float, float]:
    begin = batches[0][0]
    with Store.open(folder / f"ours{together}-{turn}.db", site="house", clock=lambda: begin) as store:
        store.write(batches[0][1])
        store.flush(begin)
        began, worked = time.perf_counter(), time.process_time()
        for first in range(0, len(batches), together):
            for moment, samples in batches[first : first + together]:
                store.write(samples)
                now = moment
            store.flush(now)
        ours, our_work = time.perf_counter() - began, time.process_time() - worked
        count = store.counters.written - DEVICES
    rows = [
        [(key_of(int(moment.timestamp()), n + 1), s.value and round(s.value * 1e6)) for n, s in enumerate(samples)]
        for moment, samples in batches
    ]
    path = folder / f"bare{together}-{turn}.db"
    Store.open(path, site="house", clock=lambda: begin).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as bare:
        for setting in ("journal_mode=WAL", "synchronous=FULL", f"cache_size=-{CACHE_KIB}", "temp_store=MEMORY"):
            bare.execute(f"PRAGMA {setting}")
        began, worked = time.perf_counter(), time.process_time()
        for first in range(0, len(rows), together):
            bare.execute("BEGIN IMMEDIATE")
            bare.executemany(
                "INSERT INTO samples (key, value) VALUES (?, ?)",
                [row for some in rows[first : first + together] for row in some],
            )
            bare.execute("COMMIT")
        theirs, their_work = time.perf_counter() - began, time.process_time() - worked
    print(
        f"ours {count / ours:8.0f} rows/s, executemany {count / theirs:8.0f} rows/s, ratio {theirs / ours:.2f}; "
        f"of processor time {our_work / count * 1e6:.2f} and {their_work / count * 1e6:.2f} us a row"
    )
    return theirs / ours, their_work / our_work


def _joined(at: int, number: int) -> tuple[int, ...]:
    return (key_of(at, number),)


def _by_time(at: int, number: int) -> tuple[int, ...]:
    return (at, number)


def _by_series(at: int, number: int) -> tuple[int, ...]:
    return (number, at)


# How else samples (s) and hours (h) could be keyed; none with the site in the row.
WAYS = {
    "row number = (time, series), site computed": (
        "CREATE TABLE s (key INTEGER PRIMARY KEY, value DOUBLE)",
        "CREATE TABLE h (key INTEGER PRIMARY KEY, a INTEGER, b INTEGER, {five})",
        _joined,
    ),
    "columns (time, series) WITHOUT ROWID": (
        "CREATE TABLE s (at INTEGER, n INTEGER, value DOUBLE, PRIMARY KEY (at, n)) WITHOUT ROWID",
        "CREATE TABLE h (at INTEGER, n INTEGER, a INTEGER, b INTEGER, {five}, PRIMARY KEY (at, n)) WITHOUT ROWID",
        _by_time,
    ),
    "columns (series, time) WITHOUT ROWID": (
        "CREATE TABLE s (n INTEGER, at INTEGER, value DOUBLE, PRIMARY KEY (n, at)) WITHOUT ROWID",
        "CREATE TABLE h (n INTEGER, at INTEGER, a INTEGER, b INTEGER, {five}, PRIMARY KEY (n, at)) WITHOUT ROWID",
        _by_series,
    ),
}


def keys(folder: Path) -> None:
    """Compare ways to key samples and roll-ups: bytes a row, and bytes written for a day at one commit a minute."""
    for turn, (name, (samples, hours, key)) in enumerate(WAYS.items()):
        house, path = House(random.Random(3)), folder / f"way{turn}.db"
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(samples)
            connection.execute(hours.format(five=", ".join(f"v{n} DOUBLE" for n in range(5))))
            start, before = int(END.timestamp()), written_bytes()
            for minute in range(1440):
                at = start + 60 * minute
                rows = [
                    (*key(at + n // 5, n + 1), (trip := house.round_trip(n)) and round(trip * 1e6))
                    for n in range(DEVICES)
                ]
                connection.execute("BEGIN")
                connection.executemany(f"INSERT INTO s VALUES ({', '.join('?' * len(rows[0]))})", rows)  # noqa: S608 - marks
                connection.execute("COMMIT")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            day, size = written_bytes() - before, path.stat().st_size
            begin, last = start // HOUR_S, 24 * 28
            for hour in range(begin, begin + last):
                rolls = [(*key(hour, n + 1), *rolled(house, n)) for n in range(DEVICES)]
                connection.execute("BEGIN")
                connection.executemany(f"INSERT INTO h VALUES ({', '.join('?' * len(rolls[0]))})", rolls)  # noqa: S608 - marks
                connection.execute("COMMIT")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            print(
                f"{name}: {size / 1440 / DEVICES:.1f} B a sample, {day / 1e6:.1f} MB written a day of samples, "
                f"{(path.stat().st_size - size) / last / DEVICES:.1f} B an hour"
            )


def fleet(_folder: Path, sites: int, minutes: int, centre: str | None) -> None:
    """
    Ship many sites of 150 devices, some minutes of samples each; after each, COPY its rows into a table with the same key.

    A shipment connects, sends 150 series that the centre doesn't know yet and the samples, commits there and notes it
    here; COPY sends text that is ready over a connection just opened, and its time is given without and with opening one.
    """
    with _postgres(centre) as address, tempfile.TemporaryDirectory() as folder:
        admit(address, "site0", "netaudit_bench", int(END.timestamp()))
        house, clock = House(random.Random(4)), [END]
        with Store.open(Path(folder) / "box.db", site="box", clock=lambda: clock[0]) as store:
            for minute in range(minutes):
                clock[0] = END + timedelta(minutes=minute)
                store.write(
                    Sample(clock[0], f"device:{house.mac(n)}", "rtt_s", house.round_trip(n)) for n in range(150)
                )
                if store.due(clock[0]):
                    store.flush(clock[0])
            store.flush(clock[0])
            clock[0] += timedelta(hours=1)
            with psycopg.connect(address, autocommit=True) as connection:
                for number in range(1, sites):
                    connection.execute("INSERT INTO sites (name) VALUES (%s)", [f"site{number}"])
                connection.execute(
                    "CREATE TABLE bare (site INTEGER, key BIGINT, value FLOAT8, PRIMARY KEY (site, key))"
                )
            took: list[float] = []
            bare: list[float] = []
            alone: list[float] = []
            with store._engine.connect() as near:  # noqa: SLF001 - to send the same box's rows under many names
                rows = [
                    (key, value) for key, value in near.exec_driver_sql("SELECT key, value FROM samples ORDER BY key")
                ]
            for number in range(sites):
                with store._engine.begin() as near:  # noqa: SLF001
                    near.exec_driver_sql("DELETE FROM marks")
                began = time.perf_counter()
                sent = ship(
                    store._engine,  # noqa: SLF001
                    address,
                    site=1,
                    name=f"site{number}",
                    now_s=int(clock[0].timestamp()),
                )
                took.append(time.perf_counter() - began)
                with psycopg.connect(address, autocommit=True) as connection:
                    bare.append(_copy(connection, number, rows))
                began = time.perf_counter()
                with psycopg.connect(address, autocommit=True):
                    pass
                alone.append(bare[-1] + time.perf_counter() - began)
        with psycopg.connect(address, autocommit=True) as connection:
            there = connection.execute("SELECT count(*), count(DISTINCT site) FROM samples").fetchone()
            connection.execute("DROP TABLE bare")
        ours, count = median(took), sent["samples"]
        print(f"{sites} sites x 150 devices x {minutes} minutes: rows and sites at the centre {there}; medians:")
        print(f"ship {count / ours:8.0f} rows/s, of which a shipment begins and ends in {ours * 1e3:.0f} ms")
        print(f"COPY {count / median(bare):8.0f} rows/s, ratio {median(bare) / ours:.2f} (aim >= 0.4)")
        print(f"COPY, connecting too, {count / median(alone):8.0f} rows/s, ratio {median(alone) / ours:.2f}")


def central(_folder: Path, sites: int, hours: int, centre: str | None) -> None:
    """
    Ship a day of 150 devices from many sites, an hour at a time, site after site, as timers on boxes do.

    So each shipment's rows go between those of other sites, which fills the indexes less than one long copy would.
    Bytes are of tables with their indexes; the log's are all that it grew by.
    """
    with _postgres(centre) as address, tempfile.TemporaryDirectory() as folder:
        admit(address, "site0", "netaudit_bench", int(END.timestamp()))
        with psycopg.connect(address, autocommit=True) as connection:
            for number in range(1, sites):
                connection.execute("INSERT INTO sites (name) VALUES (%s)", [f"site{number}"])
            began_at = connection.execute("SELECT pg_current_wal_lsn()").fetchone()
        house, clock, took = House(random.Random(5)), [END], []
        with Store.open(Path(folder) / "box.db", site="box", clock=lambda: clock[0]) as store:
            for hour in range(hours):
                for minute in range(60):
                    clock[0] = END + timedelta(hours=hour, minutes=minute)
                    store.write(
                        Sample(clock[0], f"device:{house.mac(n)}", "rtt_s", house.round_trip(n)) for n in range(150)
                    )
                clock[0] = END + timedelta(hours=hour + 1, minutes=5)
                store.flush(clock[0])
                store.rollup(clock[0])
                for number in range(sites):
                    with store._engine.begin() as near:  # noqa: SLF001 - to send the same box's rows under many names
                        near.exec_driver_sql("DELETE FROM marks WHERE stream LIKE '%ship%'")
                    began = time.perf_counter()
                    now_s = int((clock[0] + timedelta(minutes=10)).timestamp())
                    ship(store._engine, address, site=1, name=f"site{number}", now_s=now_s)  # noqa: SLF001
                    took.append(time.perf_counter() - began)
                with store._engine.begin() as near:  # noqa: SLF001 - the next shipments send the next hour only
                    for table in ("samples", "hourly"):
                        near.exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608 - our own names
        with psycopg.connect(address, autocommit=True) as connection:
            grown = connection.execute("SELECT pg_current_wal_lsn() - %s::pg_lsn", began_at or ("0/0",)).fetchone()
            rows = 0
            for table in ("samples", "hourly"):
                size, count = connection.execute(
                    "SELECT (SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits "  # noqa: S608 - our own names
                    f"WHERE inhparent = to_regclass('{table}')), (SELECT count(*) FROM {table})"
                ).fetchone() or (0, 1)
                rows += int(count)
                print(f"{table}: {count} rows, {float(size) / int(count):.0f} B a row with the index")
        print(
            f"log: {float(grown[0] if grown else 0) / rows:.0f} B a row; a shipment of an hour {median(took) * 1e3:.0f} ms"
        )


def _copy(connection: psycopg.Connection, site: int, rows: list[tuple[int, float | None]]) -> float:
    """Give the time of a COPY of these rows, made ready before [s]."""
    kept = ((key, r"\N" if value is None else value) for key, value in rows)
    lines = "".join(f"{site}\t{key}\t{value}\n" for key, value in kept)
    began = time.perf_counter()
    with connection.cursor() as cursor, cursor.copy("COPY bare FROM STDIN") as copy:
        copy.write(lines)
    return time.perf_counter() - began


@contextmanager
def _postgres(named: str | None) -> Iterator[str]:
    """Give an empty database of the server that is named, or of one of our own."""
    if named:
        yield named
        return
    with own_postgres() as address:
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute("CREATE ROLE netaudit_bench LOGIN")
        yield address


def main() -> int:
    """Run one of the measurements."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", nargs="?", default="ingest", choices=["year", "ingest", "keys", "fleet", "central"])
    parser.add_argument("--uplinks", type=int, default=0, help="year: further series beside the devices (0)")
    parser.add_argument("--sites", type=int, default=500, help="fleet, central: how many sites (500)")
    parser.add_argument("--hours", type=int, default=24, help="central: how many hours (24)")
    parser.add_argument("--minutes", type=int, default=60, help="fleet: what each site has to send (60)")
    parser.add_argument(
        "--centre", help="fleet: an empty PostgreSQL database, with a role netaudit_bench; else our own"
    )
    parser.add_argument("--folder", type=Path, help="where to write; a temporary folder by default")
    args = parser.parse_args()
    measures: dict[str, Callable[[Path], None]] = {
        "year": partial(year, uplinks=args.uplinks),
        "ingest": ingest,
        "keys": keys,
        "fleet": partial(fleet, sites=args.sites, minutes=args.minutes, centre=args.centre),
        "central": partial(central, sites=args.sites, hours=args.hours, centre=args.centre),
    }
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        measures[args.what](Path(folder))
    return 0


if __name__ == "__main__":
    sys.exit(main())
