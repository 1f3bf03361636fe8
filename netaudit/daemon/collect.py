"""
Looking for a while, to have evidence: the same looks as the daemon's, more often, into memory instead of the store.

Politeness stays: the plan's pace bounds every segment's frames.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from typing import TYPE_CHECKING, Final

from netaudit.audit.acceptance.evidence import freeze
from netaudit.daemon.looks import Looks, need_looks, utc_now
from netaudit.daemon.sources import Sources
from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Health, Naming, Notice, Sample, Sighting
from netaudit.observe.snmp.switch import TABLES_EVERY_S

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable, Mapping
    from datetime import datetime

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.observe.observation import Observation
    from netaudit.site.model import Looking, Site

# Some 200 octets each: 400 MB at the most. An hour of an echo each 10 s to 250 devices is 90,000.
MOST_OBSERVATIONS: Final = 2_000_000
# A test lasts half an hour, and a percentile needs answers; a household doesn't notice an echo each ten seconds.
ECHO_EVERY_S: Final = 10.0
GATEWAY_EVERY_S: Final = 2.0
# Sweeps in a test: who comes and goes is then seen at least in one of them.
SWEEPS: Final = 6
# What the daemon asks rarely is asked so often: an error counter needs two readings, and that a median lies under a limit is
# shown with 95 % confidence by five of five (1 / 2^5 = 3 %) and no fewer.
ROUNDS: Final = 6
# An answer takes less.
CANCEL_AGAIN_S: Final = 0.5
# A long look asks each device about so many times and no more: enough for any claim, and little enough to be held.
MOST_LOOKS: Final = 360


async def collect(
    site: Site,
    seconds: float,
    *,
    environ: Mapping[str, str],
    now: Callable[[], datetime] = utc_now,
    every_s: float | None = None,
    tell: Callable[[Evidence], None] = lambda _: None,
    latest_every_s: float | None = None,
    until_stopped: bool = False,
    begun: Callable[[], None] = lambda: None,
) -> Evidence:
    """
    Look at every segment of the plan that names this box's interface, and at the plan's switches and services.

    Args:      seconds: for how long; environ: holds the secrets by the names that the plan gives; every_s: how often `tell` is
               given what is there so far; latest_every_s: sweep so often and hold only the latest of each kind of word, and
               no samples: for a night of many hours; until_stopped: SIGINT ends the look, and what was seen by then counts
               (a second one is an interrupt as ever); begun: called once nothing is refused any more.
    Raises:    LookError: no segment can be looked at, or without the right to. OutOfRange: the time.
    """
    if not 1 <= seconds <= 7 * 86_400:
        raise OutOfRange(f"looking for {seconds:g} s: write 1 s to 7 days")
    need_looks(site)
    seen: dict[object, Observation] = {}
    began = now()

    def sink(told: Iterable[Observation]) -> None:
        for one in told:
            key = len(seen) if latest_every_s is None else _what(one)
            if key is not None:
                seen[key] = one
        if len(seen) > MOST_OBSERVATIONS:
            raise OutOfRange(f"more than {MOST_OBSERVATIONS} observations: look for a shorter time")

    looking = _hurried(site.looking, seconds, latest_every_s)
    looks = [
        Looks(name, segment, segment.interface, looking, sink=sink, now=now)
        for name, segment in site.segment.items()
        if segment.interface is not None
    ]
    for look in looks:
        # The daemon waits for an interface that comes later; a look that has an end must not end with nothing seen.
        if look.interface not in {name for _, name in socket.if_nameindex()}:
            raise LookError(
                f"segment {look.name}: this box has no interface {look.interface}; `ip link` lists what there is"
            )
    sources = Sources(
        site,
        sink=sink,
        now=now,
        environ=environ,
        looks=looks,
        tables_every_s=min(TABLES_EVERY_S, seconds / ROUNDS),
    )

    async def report() -> None:
        tell(freeze(seen.values(), began, now()))

    jobs: list[Awaitable[None]] = []
    for look in looks:
        jobs += [
            look.listen(),
            _repeat(look.sweep, looking.sweep_every_s),
            _repeat(look.echo_devices, looking.echo_every_s, first_s=1.0),
            _repeat(look.echo_gateway, looking.gateway_every_s, first_s=1.0),
        ]
    jobs += [
        _repeat(job.run, min(job.every_s, seconds / ROUNDS), first_s=min(job.first_s, seconds / ROUNDS))
        for job in sources.jobs
    ]
    if every_s is not None:
        jobs.append(_repeat(report, every_s, first_s=every_s))
    begun()
    stopped = asyncio.Event()
    if until_stopped:
        _stop_once(stopped)
    await _for(seconds, jobs, stopped)
    return freeze(seen.values(), began, now())


def _what(one: Observation) -> object:
    """Give that of which only the latest counts; None of a sample, which doesn't say who is there."""
    match one:
        case Sighting():
            return one.mac, one.segment, one.address
        case Naming():
            return one.mac, one.name, one.origin
        case Notice():
            return one.place, one.kind, one.detail
        case Health():
            return one.source
        case Sample():
            return None


def _hurried(looking: Looking, seconds: float, sweep_every_s: float | None) -> Looking:
    """Look more often than the daemon for a short time, and less often for a long one."""
    least_s = seconds / MOST_LOOKS
    return looking.model_copy(
        update={
            "echo_every_s": max(min(looking.echo_every_s, ECHO_EVERY_S), least_s),
            "gateway_every_s": max(min(looking.gateway_every_s, GATEWAY_EVERY_S), least_s / 5),
            "sweep_every_s": sweep_every_s or max(min(looking.sweep_every_s, max(1.0, seconds / SWEEPS)), least_s),
        }
    )


async def _repeat(look: Callable[[], Awaitable[None]], every_s: float, *, first_s: float = 0.0) -> None:
    """Look again and again, never twice at once; who takes longer than its turn skips the next."""
    loop = asyncio.get_running_loop()
    due_s = loop.time() + first_s
    while True:
        await asyncio.sleep(max(0.0, due_s - loop.time()))
        await look()
        due_s = max(due_s + every_s, loop.time())


def _stop_once(stopped: asyncio.Event) -> None:
    """Take the first SIGINT as the wish to end; the next does what it always does."""
    loop = asyncio.get_running_loop()

    def stop() -> None:
        loop.remove_signal_handler(signal.SIGINT)
        stopped.set()

    loop.add_signal_handler(signal.SIGINT, stop)


async def _for(seconds: float, jobs: Iterable[Awaitable[None]], stopped: asyncio.Event) -> None:
    """Run jobs for so long, or until stopped; an error of one ends all and is raised."""
    end = asyncio.ensure_future(asyncio.wait_for(stopped.wait(), seconds))
    tasks = [asyncio.ensure_future(job) for job in jobs]
    try:
        pending = {end, *tasks}
        while end in pending:
            done, pending = await asyncio.wait(pending, return_when=asyncio.FIRST_COMPLETED)
            for task in done - {end}:
                task.result()
        with contextlib.suppress(TimeoutError):
            end.result()
    finally:
        end.cancel()
        left = set(tasks)
        while left:
            # Again until they end: a cancellation that comes together with an answer is lost in `wait_for` before Python 3.12,
            # which the SNMP client waits by, and the job would go on for good.
            for task in left:
                task.cancel()
            ended, left = await asyncio.wait(left, timeout=CANCEL_AGAIN_S)
            for task in ended:
                # Asked for, so that the loop doesn't complain; what ended the look was raised above.
                _ = task.cancelled() or task.exception()
