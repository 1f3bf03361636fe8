"""
How long looking takes, beside two libraries that can do it too, against the same played hosts in the same run.

    python -m benchmarks.looking

Each program looks some times in one fresh process; medians count. Wall and CPU time are that process's own while it looks, the
event loop's start and end with it; imports and the responder are not. Ratios are theirs / ours: over 1 means that netaudit
is quicker. Against the libraries, which keep no pace, it is let go at the laboratory's pace; a plan can't ask for that. It needs
Linux, and no rights: without root the laboratory is built in a user namespace.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network
from statistics import median
from typing import TYPE_CHECKING

from netaudit.observe.echo import EchoTarget, echo
from netaudit.observe.pace import FASTEST_HZ
from netaudit.observe.sweep import sweep
from tests.lab.host import crowd
from tests.lab.lan import Lab, is_privileged

if TYPE_CHECKING:
    from collections.abc import Callable

SITE = IPv4Network("10.77.0.0/20")
OWN = "10.77.0.1/20"
HOUSE = IPv4Network("10.77.1.0/24")
DELAY_S = 0.005
TIMEOUT_S = 0.25
ROUNDS = 5


@dataclass(frozen=True, slots=True)
class Run:
    """What one run took and found."""

    wall_s: float
    cpu_s: float
    found: int
    frames: int = 0
    how: str = ""


# What the event loop is given returns numbers only: asyncio.run() spends time on writing out whatever its coroutine gives.
def own_sweep(interface: str, network: IPv4Network, pace_hz: float) -> Run:
    async def look() -> tuple[int, int]:
        result = await sweep(interface, network, segment="hall", pace_hz=pace_hz, retries=0, timeout_s=TIMEOUT_S)
        return len(result.sightings), result.frames_sent

    wall_s, cpu_s = time.monotonic(), time.process_time()
    found, frames = asyncio.run(look())
    return Run(time.monotonic() - wall_s, time.process_time() - cpu_s, found, frames)


def scapy_sweep(interface: str, network: IPv4Network, pause_s: float) -> Run:
    # Not to be loaded in the process that measures ours.
    from scapy.error import Scapy_Exception  # noqa: PLC0415
    from scapy.layers.l2 import ARP, Ether, arping, srp  # noqa: PLC0415

    wall_s, cpu_s, how = time.monotonic(), time.process_time(), "scapy arping"
    try:
        answered, _ = arping(str(network), iface=interface, timeout=TIMEOUT_S, inter=pause_s, verbose=0)
    except Scapy_Exception:  # arping wants a kernel filter, which scapy can't compile without libpcap
        wall_s, cpu_s, how = time.monotonic(), time.process_time(), "scapy srp (no libpcap)"
        question = Ether(dst="ff:ff:ff:ff:ff:ff") / ARP(pdst=str(network))
        answered, _ = srp(question, iface=interface, timeout=TIMEOUT_S, inter=pause_s, verbose=0)
    return Run(time.monotonic() - wall_s, time.process_time() - cpu_s, len(answered), how=how)


def own_echo(interface: str, targets: list[EchoTarget], pace_hz: float) -> Run:
    async def look() -> int:
        interval_s = len(targets) / pace_hz
        result = await echo(
            interface, targets, networks=[SITE], count=1, interval_s=interval_s, timeout_s=1.0, pace_hz=pace_hz
        )
        return sum(sample.value is not None for sample in result.samples)

    wall_s, cpu_s = time.monotonic(), time.process_time()
    found = asyncio.run(look())
    return Run(time.monotonic() - wall_s, time.process_time() - cpu_s, found)


def icmplib_echo(addresses: list[str]) -> Run:
    from icmplib import async_multiping  # noqa: PLC0415 - as above

    async def look() -> int:
        hosts = await async_multiping(addresses, count=1, timeout=1, concurrent_tasks=50, privileged=True)
        return sum(host.is_alive for host in hosts)

    wall_s, cpu_s = time.monotonic(), time.process_time()
    found = asyncio.run(look())
    return Run(time.monotonic() - wall_s, time.process_time() - cpu_s, found)


def repeat(name: str, *args: object) -> list[Run]:
    """Look some times by a function of this module; it is what the fresh process runs."""
    return [globals()[name](*args) for _ in range(ROUNDS)]


def middle(runs: list[Run]) -> Run:
    """Give the medians; the fewest that were found, so that no quick run hides that it missed some."""
    return Run(
        median(run.wall_s for run in runs),
        median(run.cpu_s for run in runs),
        min(run.found for run in runs),
        runs[0].frames,
        runs[0].how,
    )


def row(what: str, run: Run) -> None:
    print(f"  {what:34} {run.wall_s:7.3f} s wall {run.cpu_s:8.4f} s CPU   {run.found} found")


def compare(title: str, ours: tuple[str, Run], theirs: tuple[str, Run]) -> None:
    print(title)
    row(*ours)
    row(*theirs)
    wall, cpu = theirs[1].wall_s / ours[1].wall_s, theirs[1].cpu_s / ours[1].cpu_s
    print(f"  {'ratio theirs / ours':34} {wall:7.2f}   wall {cpu:8.1f}   CPU\n")


def main() -> None:
    with Lab(unprivileged=not is_privileged()) as lab:
        played = [host.but(delay_s=DELAY_S) for host in crowd(SITE, 4093)]
        segment = lab.segment(played, own=[OWN], precise=True)
        name = segment.interface
        print(f"hosts answer after {DELAY_S * 1000:g} ms, medians of {ROUNDS} runs each\n")

        def measure(function: Callable[..., Run], *args: object) -> Run:
            return middle(lab.call(repeat, function.__name__, *args))

        for pause_s, theirs_words, pace_hz in ((0.001, "1 ms between frames", 1000.0), (0.0, "unpaced", FASTEST_HZ)):
            ours = measure(own_sweep, name, HOUSE, pace_hz)
            theirs = measure(scapy_sweep, name, HOUSE, pause_s)
            compare(
                "ARP, a /24 with 254 hosts",
                (f"netaudit, {pace_hz:,.0f} frames/s", ours),
                (f"{theirs.how}, {theirs_words}", theirs),
            )

        hosts = played[:1000]
        targets = [EchoTarget(f"device:{host.mac}", IPv4Address(host.address or ""), host.mac) for host in hosts]
        theirs = measure(icmplib_echo, [host.address for host in hosts])
        for pace_hz in (2000.0, FASTEST_HZ):
            ours = measure(own_echo, name, targets, pace_hz)
            compare(
                "echo, 1,000 targets",
                (f"netaudit, {pace_hz:,.0f} frames/s", ours),
                ("icmplib async_multiping, 50 tasks", theirs),
            )

        print("ARP, a /20 with 4,093 hosts at 1,000 frames/s")
        ours = measure(own_sweep, name, SITE, 1000.0)
        row("netaudit", ours)
        allowed_s = 1.15 * ours.frames / 1000 + TIMEOUT_S
        print(
            f"  frames / pace + time-out is {ours.frames / 1000 + TIMEOUT_S:.2f} s; 1.15 x the first {allowed_s:.2f} s:",
            end=" ",
        )
        print("kept" if ours.wall_s <= allowed_s else "NOT kept")
        print(f"  frames that the laboratory itself lost: {segment.counts().drops}")


if __name__ == "__main__":
    main()
