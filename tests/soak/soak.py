"""
Soak the watch: weeks in minutes, with everything that goes wrong on a small box, and say what became of it.

    python -m tests.soak.soak                       30 days, 250 devices, 20 times killed
    python -m tests.soak.soak --days 3 --devices 40 --kills 3
    python -m tests.soak.soak --leak 1000           must fail: so many octets are kept at each sweep

Judged at the end: every trouble was found exactly once and closed, nothing else was found, every finding was told once (a message
that goes again after a kill carries the mark of the first), the database is sound, memory doesn't grow.

Memory is what is allocated and not freed, to the octet, without the database's cache: resident memory rises for days until that
cache is full (8 MB a connection) and has holes, so that a small leak can't be told in it. The slope over the last third, which
no kill and no new plan interrupts, is Theil's and Sen's. Where its 95 % interval lies above what is tolerated there is a leak; a
long soak must show that there is none: there the whole interval must lie below.
"""

from __future__ import annotations

import argparse
import os
import re
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from netaudit.audit.forecast import Slope, theil_sen
from netaudit.store.backup import check
from tests.notify.receivers import Web, web
from tests.soak.script import Trouble, write_script

ROOT = Path(__file__).resolve().parents[2]
# After a kill the box is away for so many steps: a power cut and a slow start.
AWAY = 2
# So many steps of the last third are not judged: what was learnt before the last kill comes back, caches fill.
WARM = 72
# Octets a step: 32 MB in a year of the usual sweeps, which the unit's limit bears for five; a third of what --leak 1000 keeps.
TOLERATED = 300.0
# In the first days memory still rises with what a day teaches (2 days, 40 devices: 545 octets a step; 250 devices, second to
# seventh day: 80): a short soak sees a gross leak only.
TOLERATED_SOON = 3000.0
# Half of what the unit allows (MemoryMax).
MOST_RESIDENT_MB = 128.0


class Use(NamedTuple):
    """Octets that were in use, and resident, after a step."""

    step: int
    used: int
    resident: int


@dataclass(frozen=True)
class Soaked:
    """
    What came out.

    lost, spurious  troubles without their finding; findings without a trouble, or a second time
    open            findings that are open at the end
    told_twice      messages that came twice without a kill to blame, by mark
    untold          findings that were never told
    refused         messages that the receiver did not take while it was away
    unwritten       times that nothing could be written
    slope           octets that memory in use gained a step, with its interval; resident_mb at the end
    long            whether it lasted long enough to show that nothing leaks
    """

    lost: list[str]
    spurious: list[str]
    open: int
    told_twice: list[str]
    untold: int
    repeated: int
    complaints: list[str]
    refused: int
    unwritten: int
    slope: Slope
    long: bool
    resident_mb: float
    killed: int
    found: int
    wall_s: float

    def faults(self) -> list[str]:
        """List what must not be; empty when all is well."""
        found = [f"lost: {one}" for one in self.lost] + [f"not in the script: {one}" for one in self.spurious]
        found += [f"told twice: {one}" for one in self.told_twice] + [f"database: {one}" for one in self.complaints]
        if self.open:
            found.append(f"{self.open} findings still open")
        if self.untold:
            found.append(f"{self.untold} messages were never sent")
        # More of what was repeated than kills to repeat it would have another cause.
        if self.repeated > self.killed:
            found.append(f"{self.repeated} messages went again after {self.killed} kills")
        tolerated = TOLERATED if self.long else TOLERATED_SOON
        if self.slope.low > tolerated:
            found.append(f"memory grows by {self.slope.low:.0f} octets a step at least")
        elif self.slope.high > TOLERATED and self.long:
            found.append(f"memory may grow by {self.slope.high:.0f} octets a step")
        if self.resident_mb > MOST_RESIDENT_MB:
            found.append(f"{self.resident_mb:.0f} MB are resident")
        return found


def soak(*, days: int, devices: int, kills: int, seed: int, folder: Path, leak: int = 0) -> Soaked:
    """Run one soak in a folder; leak: octets that are kept at each step, to see that it is noticed."""
    script = write_script(days=days, devices=devices, kills=kills, seed=seed)
    (folder / "site.toml").write_text(script.plan(0))
    waiting = sorted(script.kills)
    memory: list[Use] = []
    began, first, killed = time.monotonic(), 0, 0
    with web() as receiver, (folder / "log").open("a", buffering=1) as log:
        while first < script.steps:
            words = [str(folder), str(first), str(days), str(devices), str(kills), str(seed), str(leak)]
            child = subprocess.Popen(
                [sys.executable, "-m", "tests.soak.box", *words],
                cwd=ROOT,
                env={**os.environ, "SOAK_ALERT": f"json://127.0.0.1:{receiver.port}/", "PYTHONMALLOC": "malloc"},
                stdout=subprocess.PIPE,
                # What it logs goes through a pipe too: when its files may not grow, a log would not either.
                stderr=subprocess.STDOUT,
                text=True,
            )
            step = first - 1
            with child:
                for line in child.stdout or ():
                    if not line.startswith("step "):
                        log.write(line)
                        continue
                    step, *settled = (int(word) for word in line.split()[1:])
                    receiver.status = 503 if step + 1 in script.deaf else 200
                    if settled and step >= script.calm_from:
                        memory.append(Use(step, *settled))
                    if waiting and step >= waiting[0]:
                        waiting.pop(0)
                        # In the middle of what comes next: reading, judging, committing, sending.
                        time.sleep(0.004 * (killed % 7))
                        child.kill()
                        killed += 1
                        # It may have been further than was heard of.
                        rest = child.stdout.read() if child.stdout else ""
                        step = max(
                            [step, *(int(number) for number in re.findall(r"^step (\d+)\b", rest, re.MULTILINE))]
                        )
                        break
            if step + 1 < script.steps and child.returncode not in (-9, 0):
                raise RuntimeError(
                    f"the box ended with {child.returncode} at step {step}: {(folder / 'log').read_text()[-2000:]}"
                )
            first = step + 1 + (AWAY if child.returncode == -9 else 0)
        return _judge(
            folder,
            script.troubles,
            receiver,
            memory,
            killed=killed,
            long=script.is_long,
            wall_s=time.monotonic() - began,
        )


def _judge(
    folder: Path,
    troubles: list[Trouble],
    receiver: Web,
    memory: list[Use],
    *,
    killed: int,
    long: bool,
    wall_s: float,
) -> Soaked:
    with closing(sqlite3.connect(folder / "site.db")) as kept:
        rows = kept.execute("SELECT rule, place, closed_at FROM findings").fetchall()
        unsent = kept.execute("SELECT count(*) FROM outbox WHERE sent_at IS NULL").fetchone()[0]
    wanted = Counter((one.rule, one.place) for one in troubles)
    found = Counter((rule, place) for rule, place, _ in rows)
    bodies = Counter(receiver.bodies())
    again = [body for body, times in bodies.items() if times > 1]
    judged = [one for one in memory if one.step >= memory[0].step + WARM]
    return Soaked(
        lost=[f"{rule} {place}" for (rule, place), count in (wanted - found).items() for _ in range(count)],
        spurious=[f"{rule} {place}" for (rule, place), count in (found - wanted).items() for _ in range(count)],
        open=sum(closed is None for _, _, closed in rows),
        told_twice=[re.sub(r"\s+", " ", body)[:120] for body in again] if len(again) > killed else [],
        untold=int(unsent),
        repeated=sum(bodies[body] - 1 for body in again),
        complaints=check(folder / "site.db"),
        refused=receiver.tries - len(receiver.got),
        unwritten=(folder / "log").read_text().count("writing the disk failed"),
        slope=theil_sen([float(one.step) for one in judged], [float(one.used) for one in judged]),
        long=long,
        resident_mb=memory[-1].resident / 1e6,
        killed=killed,
        found=len(rows),
        wall_s=wall_s,
    )


def main() -> int:
    """Soak and say what came out; status 1 if something is not as it must be."""
    parser = argparse.ArgumentParser(description="Soak the watch: weeks in minutes, with seeded faults.")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--devices", type=int, default=250)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--leak", type=int, default=0, help="octets kept at each step: a leak that must be noticed")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        done = soak(
            days=args.days, devices=args.devices, kills=args.kills, seed=args.seed, folder=Path(name), leak=args.leak
        )
    print(
        f"{args.days} days, {args.devices} devices, seed {args.seed}: {done.found} findings, {done.killed} kills, "
        f"{done.repeated} messages went again after one, {done.refused} were refused, {done.unwritten} times the disk was full; "
        f"memory in use {done.slope.middle:+.0f} octets a step ({done.slope.low:+.0f} to {done.slope.high:+.0f}), "
        f"{done.resident_mb:.0f} MB resident; {done.wall_s:.0f} s ({args.days * 86400 / done.wall_s:.0f} times as fast)"
    )
    for fault in done.faults():
        print(f"NOT AS IT MUST BE: {fault}")
    return 1 if done.faults() else 0


if __name__ == "__main__":
    sys.exit(main())
