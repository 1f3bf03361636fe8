"""
Measure what a small box pays: memory, processor time, writes and start-up, everything under a limit of 256 MB.

    python benchmarks/small_box.py            all of it; as root also the watch, on a laboratory segment with 250 hosts
    python benchmarks/small_box.py --seconds 300

The limit is a memory cgroup where one can be made (resident memory and page cache), else RLIMIT_DATA. Memory at rest stands beside
that of a process that does nothing but import the libraries which the watch is built on, measured in the same run.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import IPv4Network
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.lab.host import crowd
from tests.lab.lan import Lab, LabError, is_privileged

if TYPE_CHECKING:
    from collections.abc import Iterator

LIMIT_BYTES = 256 * 2**20
ROOT = Path(__file__).resolve().parents[1]
NETWORK = IPv4Network("10.9.0.0/23")
HOSTS = 250
# As the defaults of the plan look: a sweep in five minutes, an echo a minute, a judgement a minute.
PLAN = f"""\
[site]
name = "Small box"
[serving]
port = 9817
[segment.home]
network = "{NETWORK}"
gateway = "10.9.0.2"
interface = "seg0"
ssid = "home"
[switch.shelf]
ports = 48
[access_point.hall]
[device.plugs]
kind = "plug"
count = {HOSTS}
"""
# What the watch is built on, and nothing of ours.
BARE = (
    "import sqlalchemy, apscheduler.schedulers.asyncio, starlette.applications, uvicorn, prometheus_client, pydantic, jinja2;"
    "print(open('/proc/self/status').read())"
)


@dataclass(frozen=True)
class Cost:
    """What one call took; status 0 and 1 are answers, 2 and above would be a failure."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    status: int


class Box:
    """The limit under which everything runs."""

    def __init__(self) -> None:
        self.group: Path | None = None
        for top, limit in (
            (Path("/sys/fs/cgroup/memory"), "memory.limit_in_bytes"),
            (Path("/sys/fs/cgroup"), "memory.max"),
        ):
            group = top / f"netaudit-bench-{os.getpid()}"
            try:
                group.mkdir()
                (group / limit).write_text(str(LIMIT_BYTES))
            except OSError:
                if group.is_dir():
                    group.rmdir()
                continue
            self.group = group
            break

    def enter(self) -> None:
        """Put the calling process under the limit (called in a child before it becomes the program)."""
        if self.group is not None:
            (self.group / "cgroup.procs").write_text(str(os.getpid()))
        else:
            resource.setrlimit(resource.RLIMIT_DATA, (LIMIT_BYTES, LIMIT_BYTES))

    def close(self) -> None:
        """Remove the group."""
        if self.group is not None:
            self.group.rmdir()

    def cost(self, *words: str, cwd: Path) -> Cost:
        """Run `netaudit WORDS` under the limit."""
        began = time.monotonic()
        # PLW1509: nothing else runs in this process; the child must put itself under the limit.
        child = subprocess.Popen(
            [sys.executable, "-m", "netaudit", *words],
            cwd=cwd,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            preexec_fn=self.enter,  # noqa: PLW1509 - as above
        )
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        return Cost(time.monotonic() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, child.returncode)


@contextmanager
def box() -> Iterator[Box]:
    """Give a box that is taken away again."""
    made = Box()
    try:
        yield made
    finally:
        made.close()


def field(pid: int, file: str, name: str) -> int:
    """Read a number from /proc."""
    text = Path(f"/proc/{pid}/{file}").read_text(encoding="ascii")
    return int(text.split(f"{name}:")[1].split()[0])


def cpu_s(pid: int) -> float:
    """Give the processor time that a process and its ended children have used [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return sum(int(one) for one in fields[11:15]) / os.sysconf("SC_CLK_TCK")


def commands(limited: Box, folder: Path) -> bool:
    """Measure every command that a person calls; all must answer inside the limit."""
    good = True
    plan = str(folder / "demo" / "site.toml")
    store = str(folder / "demo" / "site.db")
    sheets = str(ROOT / "netaudit" / "demo" / "equipment.toml")
    calls = (
        ("demo", "--out", "demo"),
        ("--help",),
        ("check", plan),
        ("dimension", plan),
        ("choose", plan, sheets),
        ("draw", plan, "--out", "drawings"),
        ("census", "demo/captures/wired.pcap", "--site", plan),
        ("audit", plan, "--store", store),
        ("report", plan, "--store", store, "--week", "2026-W11"),
        ("store", "check", store),
        ("store", "backup", store, "backup.db"),
    )
    print(f"{'command':12} {'wall s':>7} {'cpu s':>7} {'peak MB':>8}")
    for words in calls:
        cost = limited.cost(*words, cwd=folder)
        good &= cost.status in (0, 1)
        failed = "" if cost.status in (0, 1) else f"  FAILED with {cost.status}"
        print(f"{' '.join(words[:1] if words[0] != 'store' else words[:2]):12} "
              f"{cost.wall_s:7.1f} {cost.cpu_s:7.1f} {cost.peak_mb:8.0f}{failed}")  # fmt: skip
    return good


def watch(limited: Box, folder: Path, seconds: float) -> bool:
    """Measure the watch on a segment with 250 hosts: start, rest, writes."""
    said = subprocess.run([sys.executable, "-c", BARE], capture_output=True, text=True, check=True).stdout
    bare_mb = int(said.split("VmRSS:")[1].split()[0]) / 1024
    (folder / "site.toml").write_text(PLAN)
    try:
        lab = Lab(unprivileged=not is_privileged())
    except LabError as error:
        print(f"the watch was not measured: {error}")
        return True
    with lab:
        lab.segment(crowd(NETWORK, HOSTS), own=["10.9.0.1/23"])
        began = time.monotonic()
        with (folder / "log").open("w") as log:
            child = lab.popen(
                [sys.executable, "-m", "netaudit", "run", str(folder / "site.toml")],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                preexec_fn=limited.enter,
            )
        line = child.stdout.readline() if child.stdout else ""
        start_s = time.monotonic() - began
        if "watching" not in line:
            print("the watch did not start:", (folder / "log").read_text())
            return False
        # The first sweep, echo round and judgement are part of starting; rest begins behind them.
        time.sleep(min(90.0, seconds))
        before_cpu, before_bytes, at = cpu_s(child.pid), field(child.pid, "io", "write_bytes"), time.monotonic()
        time.sleep(seconds)
        gone_s = time.monotonic() - at
        cpu = (cpu_s(child.pid) - before_cpu) / gone_s
        wrote = (field(child.pid, "io", "write_bytes") - before_bytes) / gone_s * 86_400 / 1e6
        rest_mb, peak_mb = field(child.pid, "status", "VmRSS") / 1024, field(child.pid, "status", "VmHWM") / 1024
        child.terminate()
        status = child.wait(30)
    print(
        f"watch, {HOSTS} hosts, measured for {gone_s:.0f} s: ready after {start_s:.1f} s; at rest {rest_mb:.0f} MB (peak {peak_mb:.0f}),"
    )
    print(
        f"  {rest_mb / bare_mb:.2f} times the {bare_mb:.0f} MB of its libraries alone; processor {cpu:.2%} of one core;"
    )
    print(f"  writes {wrote:.0f} MB a day; ended with {status}")
    return status == 0


def main() -> int:
    """Measure and print; status 1 when something did not work inside the limit."""
    parser = argparse.ArgumentParser(description="Measure what a small box pays.")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long the watch is measured at rest")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, box() as limited:
        print(f"limit: {LIMIT_BYTES / 2**20:.0f} MB, by {'a memory cgroup' if limited.group else 'RLIMIT_DATA'}")
        good = commands(limited, Path(name))
        return 0 if watch(limited, Path(name), args.seconds) and good else 1


if __name__ == "__main__":
    sys.exit(main())
