"""
How long a weekly report takes, and how much memory, after a year of 250 devices.

    python -m benchmarks.report [--pdf]

The year is invented (benchmarks/store.py), with the past of every line that the judgement keeps and two weeks of what radios
announce. The report is made as the daemon makes it, in a process of its own: its wall time, processor time and peak memory
count. Aim: under 6 s and 250 MB without the PDF. Beside it, in the same run, the time of one chart of a week by pygal alone
against ours, which cleans it.
"""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from benchmarks.store import DEVICES, END, House, old_year
from netaudit.audit.history import series_of as history_of
from netaudit.capacity.ledger import gather
from netaudit.observe.observation import How, Sample, Sighting
from netaudit.publish.chart import Curve, line_chart
from netaudit.publish.graphs import Line
from netaudit.site.load import load_site
from netaudit.site.model import Header
from netaudit.store.key import HOUR_S, key_of
from netaudit.store.store import Store

PLAN = """\
[site]
name = "house"
time_zone = "Europe/Lisbon"
[segment.gadgets]
network = "192.168.7.0/24"
ssid = "gadgets"
[segment.people]
network = "192.168.8.0/24"
ssid = "people"
[switch.barn]
ports = 48
"""
ROUNDS = 3


def plan() -> str:
    """Give a plan of 250 devices, half of them plugs, on six access points."""
    tables = [PLAN, *(f"[access_point.ap{n}]\n" for n in range(6))]
    kinds = (("plug", 125, "gadgets"), ("light", 60, "gadgets"), ("phone", 45, "people"), ("laptop", 20, "people"))
    tables += [
        f'[device.{kind}s]\nkind = "{kind}"\ncount = {count}\nsegment = "{segment}"\n' for kind, count, segment in kinds
    ]
    return "".join(tables)


def build(folder: Path) -> None:
    """Keep a year."""
    (folder / "site.toml").write_text(plan(), "utf-8")
    site = load_site(folder / "site.toml")
    lines = [line for line in gather(site).lines if history_of(line) is not None]
    house = House(random.Random(1))
    with Store.open(folder / "site.db", site="house", clock=lambda: END) as store:
        last_hour = END - timedelta(minutes=30)
        for number in range(DEVICES):
            mac = house.mac(number)
            store.write((Sample(last_hour, f"device:{mac}", "rtt_s", house.round_trip(number) or 0.01),))
            store.write((Sighting(last_hour, "gadgets", mac, f"192.168.7.{number}", How.ECHO),))
        for name in ("gadgets", "people"):
            store.write((Sample(last_hour, f"segment:{name}/gateway", "rtt_s", 0.001),))
        store.write(Sample(last_hour, line.place, history_of(line) or "", max(line.planned, 0.01)) for line in lines)
        store.flush(END)
    old_year(folder / "site.db", house, END)
    other_series(folder / "site.db", house)


def other_series(path: Path, house: House) -> None:
    """Write a year of days, and two weeks of hours, of every series that is no device's."""
    begin, end = int((END - timedelta(days=365)).timestamp()) // HOUR_S, int(END.timestamp()) // HOUR_S
    row = "(key, asked, lost, low, mean, p50, p95, high) VALUES (?, 60, 0, ?, ?, ?, ?, ?)"
    with closing(sqlite3.connect(path)) as connection:
        numbers = [n for (n,) in connection.execute("SELECT id FROM series WHERE place NOT LIKE 'device:%'")]
        for number in numbers:
            base = house.dice.uniform(50, 400)

            def value(index: int, base: float = base) -> tuple[float, ...]:
                return tuple(round(base + index % 24 + house.dice.uniform(0, 9)) for _ in range(5))

            hours = [(key_of(hour, number), *value(hour)) for hour in range(end - 14 * 24, end)]
            days = [(key_of(day, number), *value(day)) for day in range(begin // 24, end // 24)]
            connection.executemany(f"INSERT OR IGNORE INTO hourly {row}", hours)
            connection.executemany(f"INSERT OR IGNORE INTO daily {row}", days)
        connection.commit()


def report(folder: Path, *more: str) -> tuple[float, float, float]:
    """Make the report of the last whole week; give wall time [s], processor time [s] and peak memory [MB]."""
    words = [
        "report",
        str(folder / "site.toml"),
        "--week",
        f"{END - timedelta(days=7):%G-W%V}",
        "--out",
        str(folder),
        *more,
    ]
    began = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "netaudit", *words], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"netaudit {' '.join(words)} ended with {child.returncode}")
    return time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def chart_ratio() -> float:
    """Give how many times as long as pygal alone our chart of a week takes."""
    hours = [END + timedelta(hours=n) for n in range(168)]
    values = [0.001 * (1 + n % 24) for n in range(168)]
    header = Header(name="x")

    def plain() -> None:
        drawn = Line()
        drawn.add("a", values)
        drawn.render()

    def ours() -> None:
        line_chart("a", hours, [Curve("a", values)], unit="s", header=header)

    took: list[float] = []
    for draw in (plain, ours):
        draw()
        began = time.perf_counter()
        for _ in range(10):
            draw()
        took.append(time.perf_counter() - began)
    return took[1] / took[0]


def main() -> None:
    """Build, measure, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build(folder)
        print(f"year of {DEVICES} devices: {(folder / 'site.db').stat().st_size / 1e6:.0f} MB")
        for words in ((), ("--pdf",)) if "--pdf" in sys.argv else ((),):
            runs = [report(folder, *words) for _ in range(ROUNDS)]
            wall, used, memory = min(runs)
            print(f"report {' '.join(words)}: {wall:.1f} s, processor {used:.1f} s, peak {memory:.0f} MB")
        size = next(folder.glob("week-*.html")).stat().st_size
        print(f"page: {size / 1e3:.0f} kB")
    print(f"one chart, ours / pygal alone: {chart_ratio():.2f}")


if __name__ == "__main__":
    main()
