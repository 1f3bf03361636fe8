"""
Measure what a small box pays: memory, processor time, bytes written, start-up and pages, everything under a limit of 256 MB.

    python -m benchmarks.small_box                 every command; as root also the watch, on a laboratory segment with 250 hosts
    python -m benchmarks.small_box --seconds 3700  the watch for an hour and more: with a roll-up in it, which comes once an hour

The limit is a memory cgroup where one can be made (resident memory and page cache), else RLIMIT_DATA. The program is run from
a copy with its bytecode beside it, as an installation has it. Memory at rest stands beside that of a process that does
nothing but import the libraries which the watch is built on, measured in the same run. Bytes written are those of /proc/PID/io
(`write_bytes`: what the process dirtied and the kernel sends to the disk), at rest, times the seconds of a day. Bringing the
log into the file comes too seldom to be seen in minutes: it is reckoned, as what the end of the watch wrote (which does it
once) for each time that the log is full in a day, and the day's samples once. Give --folder a place on a real disk.
"""

from __future__ import annotations

import argparse
import compileall
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, HTTPServer
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
# SQLite brings the log into the file at 1,000 pages (https://sqlite.org/pragma.html, wal_autocheckpoint); a frame of the log is
# a page and 24 octets (https://sqlite.org/fileformat2.html). A sample takes 15.2 octets in the file (benchmarks/store.py keys).
FULL_LOG, FRAME_BYTES = 1000, 4096 + 24
DAY_OF_SAMPLES_BYTES = 15.2 * HOSTS * 1440
# Asked of the page from inside the segment's namespace: every page once, then ten times more; milliseconds by path.
ASK = """
import json, sys, time, urllib.request
took = {}
for path in sys.argv[2:]:
    each = []
    for _ in range(11):
        began = time.perf_counter()
        urllib.request.urlopen(sys.argv[1] + path, timeout=60).read()
        each.append((time.perf_counter() - began) * 1e3)
    took[path] = each[0], sorted(each[1:])[5]
print(json.dumps(took))
"""
PAGES = (
    "",
    "ledger",
    "devices",
    "devices/{mac}",
    "networks",
    "networks/home",
    "findings",
    "drawing.svg",
    "reports/",
    "metrics",
)
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

    def cost(self, installed: Path, *words: str, cwd: Path, before: tuple[str, ...] = (), **more: str) -> Cost:
        """Run `netaudit WORDS` under the limit; before: what brings it into a laboratory; more: of the environment."""
        began = time.monotonic()
        with (cwd / "said").open("w") as said:
            # PLW1509: nothing forks beside this; the child must put itself under the limit.
            child = subprocess.Popen(
                [*before, sys.executable, "-m", "netaudit", *words],
                cwd=cwd,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                env={**os.environ, "PYTHONPATH": str(installed), **more},
                preexec_fn=self.enter,  # noqa: PLW1509 - as above
            )
            _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        return Cost(time.monotonic() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, child.returncode)


def install(folder: Path) -> Path:
    """Copy the program with its bytecode, as an installation has it; gives where it can be imported from."""
    installed = folder / "installed"
    shutil.copytree(ROOT / "netaudit", installed / "netaudit", ignore=shutil.ignore_patterns("__pycache__"))
    compileall.compile_dir(installed, quiet=2)
    return installed


class _Receiver(BaseHTTPRequestHandler):
    """Takes a test message."""

    def do_POST(self) -> None:
        """Take it."""
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


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


def show(words: tuple[str, ...], cost: Cost, folder: Path) -> bool:
    """Print a line; say whether the command answered."""
    good = cost.status in (0, 1)
    name = " ".join(one for one in words[:2] if one.isalpha()) if words[0] == "store" else words[0]
    failed = "" if good else f"  FAILED with {cost.status}: {(folder / 'said').read_text()[-200:]}"
    print(f"{name:14} {cost.wall_s:7.1f} {cost.cpu_s:7.1f} {cost.peak_mb:8.0f}{failed}", flush=True)
    return good


def head(title: str) -> None:
    """Print the heading of the commands."""
    print(f"{title:14} {'wall s':>7} {'cpu s':>7} {'peak MB':>8}")


def commands(limited: Box, installed: Path, folder: Path) -> bool:
    """Measure every command that a person calls and that looks at no network; all must answer inside the limit."""
    plan, store, wired = (str(folder / "demo" / name) for name in ("site.toml", "site.db", "captures/wired.pcap"))
    sheets = str(ROOT / "netaudit" / "demo" / "equipment.toml")
    server = HTTPServer(("127.0.0.1", 0), _Receiver)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    (folder / "alert.toml").write_text(PLAN + '[alert.hook]\nurl_env = "HOOK"\n')
    calls = (
        ("demo", "--out", "demo"),
        ("--help",),
        (
            "draft",
            "--name",
            "Box",
            "--network",
            "192.168.20.0/24",
            "--rooms",
            "kitchen,hall",
            "--write",
            "drafted.toml",
        ),
        ("check", plan),
        ("dimension", plan),
        ("choose", plan, sheets, "--as-drawn"),
        ("draw", plan, "--out", "drawings"),
        ("census", wired, "--site", plan),
        ("baseline", plan, "before", "--from", wired),
        ("cutover", plan, "--from", "before.baseline.json", "--plan"),
        ("accept", plan, "--store", store),
        ("audit", plan, "--store", store),
        ("alert", "alert.toml"),
        ("report", plan, "--store", store, "--week", "2026-W11"),
        ("store", "check", store),
        ("store", "backup", store, "backup.db"),
        ("store", "restore", "restored.db", "backup.db"),
        ("store", "forget", "backup.db", "02:00:5e:ee:00:01"),
        ("store", "prune", "restored.db"),
    )
    head("command")
    good = True
    for words in calls:
        cost = limited.cost(installed, *words, cwd=folder, HOOK=f"json://127.0.0.1:{server.server_port}/")
        good &= show(words, cost, folder)
    server.shutdown()
    return good


def looking(limited: Box, installed: Path, folder: Path, lab: Lab) -> bool:
    """Measure the commands that look for themselves, a minute each, at the 250 hosts."""
    head("looking, 1 min")
    good = True
    for words in (
        ("draft", "--sweep", "seg0", str(NETWORK), "--write", "swept.toml"),
        ("baseline", "site.toml", "house", "--for", "1m"),
        ("cutover", "site.toml", "--from", "house.baseline.json", "--for", "1m"),
        ("accept", "site.toml", "--for", "1m", "--out", "accepted"),
    ):
        good &= show(words, limited.cost(installed, *words, cwd=folder, before=tuple(lab.enter())), folder)
    return good


def watch(limited: Box, installed: Path, folder: Path, lab: Lab, seconds: float) -> bool:
    """Measure the watch on a segment with 250 hosts: start, rest, writes, pages."""
    said = subprocess.run([sys.executable, "-c", BARE], capture_output=True, text=True, check=True).stdout
    bare_mb = int(said.split("VmRSS:")[1].split()[0]) / 1024
    began = time.monotonic()
    with (folder / "log").open("w") as log:
        child = lab.popen(
            [sys.executable, "-m", "netaudit", "run", str(folder / "site.toml")],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(installed)},
            preexec_fn=limited.enter,
        )
    line = child.stdout.readline() if child.stdout else ""
    start_s = time.monotonic() - began
    if "watching" not in line:
        print("the watch did not start:", (folder / "log").read_text())
        return False
    # The first sweep, echo round and judgement are part of starting: whoever is there is new to the store. Rest begins behind.
    time.sleep(150)
    before_cpu, before_bytes, at = cpu_s(child.pid), field(child.pid, "io", "write_bytes"), time.monotonic()
    time.sleep(seconds)
    gone_s = time.monotonic() - at
    cpu = (cpu_s(child.pid) - before_cpu) / gone_s
    wrote = (field(child.pid, "io", "write_bytes") - before_bytes) / gone_s
    rest_mb, peak_mb = field(child.pid, "status", "VmRSS") / 1024, field(child.pid, "status", "VmHWM") / 1024
    own_mb = field(child.pid, "smaps_rollup", "Pss") / 1024
    paths = [path.format(mac=crowd(NETWORK, HOSTS)[1].mac) for path in PAGES]
    page = line.split("page ")[1].split(",")[0]
    took = json.loads(lab.run([sys.executable, "-c", ASK, page, *paths], timeout_s=600).stdout)
    visited_mb = field(child.pid, "status", "VmRSS") / 1024
    last_bytes, log_bytes = field(child.pid, "io", "write_bytes"), (folder / "site.db-wal").stat().st_size
    days = (time.monotonic() - began) / 86_400
    child.terminate()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    # Linux counts ru_oublock in blocks of 512 octets (getrusage in kernel/sys.c, task_io_get_oublock).
    times = log_bytes / FRAME_BYTES / FULL_LOG / days
    brought = times * (used.ru_oublock * 512 - last_bytes) + DAY_OF_SAMPLES_BYTES
    print(f"watch, {HOSTS} hosts, at rest for {gone_s:.0f} s: ready after {start_s:.1f} s")
    print(
        f"  memory {rest_mb:.0f} MB (peak {peak_mb:.0f}, its share {own_mb:.0f}), {visited_mb:.0f} MB after every page was opened;"
    )
    print(
        f"  at rest {rest_mb / bare_mb:.2f} times the {bare_mb:.0f} MB of its libraries alone; processor {cpu:.2%} of one core"
    )
    print(
        f"  writes {wrote * 86_400 / 1e6:.0f} MB a day, and {brought / 1e6:.0f} MB to bring the log into the file "
        f"({times:.1f} times a day): {(wrote * 86_400 + brought) / 1e6:.0f} MB (aim <= 60)"
    )
    print(f"  ended with {child.returncode}")
    for path, (first, again) in took.items():
        print(f"  page /{path}: first {first:.0f} ms, then {again:.0f} ms")
    return child.returncode == 0


def main() -> int:
    """Measure and print; status 1 when something did not work inside the limit."""
    parser = argparse.ArgumentParser(description="Measure what a small box pays.")
    parser.add_argument("--seconds", type=float, default=600.0, help="how long the watch is measured at rest (600)")
    parser.add_argument("--folder", type=Path, help="where to write; a temporary folder by default")
    parser.add_argument("--only", choices=["commands", "watch"], help="only the one or the other")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name, box() as limited:
        folder = Path(name)
        installed = install(folder)
        print(f"limit: {LIMIT_BYTES / 2**20:.0f} MB, by {'a memory cgroup' if limited.group else 'RLIMIT_DATA'}")
        good = args.only == "watch" or commands(limited, installed, folder)
        if args.only == "commands":
            return 0 if good else 1
        try:
            lab = Lab(unprivileged=not is_privileged())
        except LabError as error:
            print(f"the watch was not measured: {error}")
            return 0 if good else 1
        (folder / "site.toml").write_text(PLAN)
        with lab:
            lab.segment(crowd(NETWORK, HOSTS), own=["10.9.0.1/23"])
            good &= watch(limited, installed, folder, lab, args.seconds)
            good &= looking(limited, installed, folder, lab)
        return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
