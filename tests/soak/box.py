"""
The box under soak: the daemon's own judging, keeping, telling and delivering, on a clock that runs some thousand times faster.

Called by soak.py in a process of its own: `python -m tests.soak.box FOLDER FIRST_STEP DAYS DEVICES KILLS SEED LEAK`. After each step it
says its number; once a day also the memory that is in use, and what of it is resident. LEAK octets are kept at each step, to see
that a leak is noticed.
"""

from __future__ import annotations

import asyncio
import ctypes
import gc
import logging
import os
import resource
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from netaudit.audit.seen import tolerance_of
from netaudit.daemon.reload import load_plan
from netaudit.daemon.watch import Watch
from netaudit.errors import NetauditError
from netaudit.store.store import Store
from tests.soak.script import BEGINS, STEP, Script, write_script

if TYPE_CHECKING:
    from datetime import datetime

UNLIMITED = resource.RLIM_INFINITY


class Box:
    """The process: its clock, store and watch."""

    def __init__(self, folder: Path, script: Script, leak: int) -> None:
        self.folder, self.script = folder, script
        self.leak, self.leaked = leak, list[bytes]()
        self.now = BEGINS
        self.open()

    def clock(self) -> datetime:
        """Give the present by the box's own clock."""
        return self.now

    def open(self) -> None:
        """Begin, as the daemon does with a plan."""
        plan = load_plan(self.folder / "site.toml")
        kept_at = str(self.folder / "site.db")
        self.store = Store.open(kept_at, site=plan.site.site.name, clock=self.clock, tolerance=tolerance_of(plan.site))
        self.watch = Watch(plan, self.store, kept_at, self.folder / "reports", now=self.clock)
        self.store.save_plan(plan.text, self.now)

    async def close(self) -> None:
        """End, as the daemon does before another plan."""
        await self.watch.server.stop()
        self.watch._thread.shutdown()
        self.store.close()

    async def live(self, first: int) -> None:
        """Live from a step to the end."""
        for step in range(first, self.script.steps):
            self.now = BEGINS + step * STEP + self.script.jumps.get(step, 0 * STEP)
            if step in self.script.reloads:
                await self.close()
                (self.folder / "site.toml").write_text(self.script.plan(step))
                self.open()
            self.store.write(self.script.observations(step, self.now))
            if step in self.script.full:
                # A file may not grow: what SQLite gets is what a full disk gives it.
                resource.setrlimit(resource.RLIMIT_FSIZE, (1, UNLIMITED))
            try:
                await self.turn(step)
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, (UNLIMITED, UNLIMITED))
            self.leaked.append(bytes(self.leak))
            said = f" {self.settled_bytes()} {resident_bytes()}" if step % self.script.settles_every == 0 else ""
            print(f"step {step}{said}", flush=True)
        await self.close()

    async def turn(self, step: int) -> None:
        """Do what the schedule would do; what fails is logged and comes again, as there."""
        jobs = [self.watch._judge, self.watch._deliver]
        if step % 12 == 0:
            jobs.insert(1, self.watch._roll_up)
        for job in jobs:
            try:
                await job()
            except NetauditError as error:
                logging.getLogger("soak").warning("%s", error)

    def settled_bytes(self) -> int:
        """Give the memory in use when nothing is under way: without garbage and without the database's cache, which is bounded."""
        self.store._engine.dispose()
        gc.collect()
        return used_bytes()


class Mallinfo(ctypes.Structure):
    """What mallinfo2(3) gives."""

    _fields_ = tuple(
        (name, ctypes.c_size_t)
        for name in [
            "arena",
            "ordblks",
            "smblks",
            "hblks",
            "hblkhd",
            "usmblks",
            "fsmblks",
            "uordblks",
            "fordblks",
            "keepcost",
        ]
    )


LIBC = ctypes.CDLL(None)
LIBC.mallinfo2.restype = Mallinfo


def used_bytes() -> int:
    """Give what is allocated and not freed: to the octet, where resident memory is blurred by holes and arenas."""
    # With PYTHONMALLOC=malloc, as soak.py sets it, Python's own objects are in it as well as SQLite's.
    told = LIBC.mallinfo2()
    return int(told.uordblks) + int(told.hblkhd)


def resident_bytes() -> int:
    """Give the memory of this process that is in use."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """Live."""
    folder, first, days, devices, kills, seed, leak = sys.argv[1:]
    logging.basicConfig(level=logging.INFO, stream=sys.stderr)
    script = write_script(days=int(days), devices=int(devices), kills=int(kills), seed=int(seed))
    asyncio.run(Box(Path(folder), script, int(leak)).live(int(first)))


if __name__ == "__main__":
    main()
