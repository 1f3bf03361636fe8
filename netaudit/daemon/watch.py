"""
The daemon itself: it looks, keeps, judges and serves until it is told to stop.

Everything runs on one asyncio loop; what touches the disk or judges runs in one thread beside it, so that a slow card
delays nobody's round trip. Stopping goes in reverse order of starting: no new looks, the running ones end, the last
observations are kept, the server closes.
"""

from __future__ import annotations

import asyncio
import logging
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final, TypeVar
from zoneinfo import ZoneInfo

from prometheus_client import CollectorRegistry, GCCollector, PlatformCollector, ProcessCollector

from netaudit.audit.judge import judge
from netaudit.audit.keep import keep, not_kept
from netaudit.audit.rules.rule import named
from netaudit.audit.seen import see
from netaudit.daemon.channels import channels_of, weight_of
from netaudit.daemon.looks import Looks, need_looks, utc_now
from netaudit.daemon.schedule import Schedule
from netaudit.daemon.serve import Server, access_of
from netaudit.daemon.sources import Sources
from netaudit.daemon.unkept import Unkept
from netaudit.daemon.weekly import put_weekly, write_weekly
from netaudit.errors import StoreError
from netaudit.notify.address import read_address
from netaudit.notify.deliver import Courier
from netaudit.notify.tell import Teller
from netaudit.publish.kept import Kept
from netaudit.publish.metrics import LedgerCollector
from netaudit.publish.page import make_app
from netaudit.publish.state import first_state, page_state

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

    from netaudit.audit.life import Memory
    from netaudit.capacity.ledger import Ledger
    from netaudit.publish.views import PageState
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding
    from netaudit.store.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")

# How often it is asked whether a flush is due; the store itself spaces its commits further apart to spare the card.
KEEP_EVERY_S: Final = 5.0
ROLL_UP_EVERY_S: Final = 3600.0
# A look into the outbox takes a third of a millisecond (benchmarks/notify.py): what a person should see now needn't wait.
DELIVER_EVERY_S: Final = 5.0
# Looks of several segments begin apart, so that they don't all burst at the same moment.
STAGGER_S: Final = 0.5
# A sweep in flight ends within its time-out; more is a hang.
STOP_TIMEOUT_S: Final = 5.0
REPORT_DAY, REPORT_HOUR = "mon", 6


@dataclass(frozen=True, slots=True)
class Plan:
    """What is watched: the plan's file, the plan, its text as judged against, its ledger."""

    path: Path
    site: Site
    text: str
    ledger: Ledger


def refuse_unfit(plan: Plan) -> None:
    """
    Say what keeps a plan from being watched by this process, before anything is made.

    Raises:    LookError: no segment can be looked at, or without the right to; the page's token is absent. OutOfRange: it is short.
               AlertError: a channel of the plan has no address, or one that isn't private.
    """
    need_looks(plan.site)
    access_of(plan.site.serving, os.environ)
    for channel in channels_of(plan.site, plan.path.parent, os.environ):
        # Now, while somebody is looking, and not when the first alert is due.
        read_address(channel)


class Watch:
    """
    One running daemon.

    Args:      kept_at: where the store is; reports: folder of the weekly reports; now gives the aware present.
    Raises:    LookError: no segment can be looked at, or without the right to; the page can't be served as planned.
               StoreError: the store can't be used.
               AlertError: a channel of the plan has no address, or one that isn't private.
    """

    def __init__(
        self, plan: Plan, store: Store, kept_at: str, reports: Path, *, now: Callable[[], datetime] = utc_now
    ) -> None:
        refuse_unfit(plan)
        self.plan = plan
        self.store = store
        self.kept_at = kept_at
        self.reports = reports
        self._now = now
        self._memory: Memory | None = None
        self._unkept = Unkept(store.counters, now())
        self._state: PageState = first_state(plan.site, plan.ledger)
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="keep")
        self.schedule = Schedule()
        self.looks = [
            Looks(name, segment, segment.interface, plan.site.looking, sink=store.write, now=now)
            for name, segment in plan.site.segment.items()
            if segment.interface is not None
        ]
        self.sources = Sources(plan.site, sink=store.write, now=now, environ=os.environ, looks=self.looks)
        self.channels = channels_of(plan.site, plan.path.parent, os.environ)
        zone = ZoneInfo(plan.site.site.time_zone)
        self._teller = Teller(store, self.channels, weight_of=weight_of, named=named, zone=zone)
        self._courier = Courier(store, self.channels, zone=zone, now=now, off_loop=self._in_thread)
        registry = CollectorRegistry()
        registry.register(LedgerCollector(self.state))
        ProcessCollector(registry=registry)
        PlatformCollector(registry=registry)
        GCCollector(registry=registry)
        serving = plan.site.serving
        app = make_app(
            self.state,
            Kept(store, plan.site, now),
            registry,
            reports=reports,
            hosts=(serving.host, *serving.names),
            access=access_of(serving, os.environ),
            now=now,
        )
        self.server = Server(app, serving)

    def state(self) -> PageState:
        """Give what page and metrics show now."""
        return replace(self._state, jobs=dict(self.schedule.counts), jumps=self.schedule.jumps)

    @property
    def url(self) -> str:
        """Where the page is."""
        return self.server.url

    async def run(self, stop: asyncio.Event, ready: Callable[[], None]) -> None:
        """Run until `stop` is set; `ready` is called once everything has begun."""
        await self._in_thread(self.store.save_plan, self.plan.text, self._now())
        await self._in_thread(self._courier.begin)
        self._plan_jobs()
        listening = [asyncio.create_task(look.listen(), name=f"listen:{look.name}") for look in self.looks]
        self.server.start()
        self.schedule.start()
        ready()
        try:
            await stop.wait()
        finally:
            await self.schedule.stop(STOP_TIMEOUT_S)
            for task in listening:
                task.cancel()
            await asyncio.gather(*listening, return_exceptions=True)
            await self.server.stop()
            await self._in_thread(self._flush)
            self._thread.shutdown()

    def _plan_jobs(self) -> None:
        looking = self.plan.site.looking
        for index, look in enumerate(self.looks):
            first_s = index * STAGGER_S
            self.schedule.every(looking.sweep_every_s, f"sweep:{look.name}", look.sweep, first_s=first_s)
            self.schedule.every(
                looking.echo_every_s, f"echo:{look.name}", look.echo_devices, first_s=first_s + looking.echo_every_s
            )
            self.schedule.every(
                looking.gateway_every_s, f"gateway:{look.name}", look.echo_gateway, first_s=looking.gateway_every_s
            )
        self.sources.plan(self.schedule)
        self.schedule.every(min(KEEP_EVERY_S, looking.judge_every_s), "keep", self._keep, first_s=KEEP_EVERY_S)
        self.schedule.every(looking.judge_every_s, "judge", self._judge, first_s=looking.judge_every_s)
        if self.channels:
            self.schedule.every(DELIVER_EVERY_S, "deliver", self._deliver, first_s=DELIVER_EVERY_S)
        self.schedule.every(ROLL_UP_EVERY_S, "roll_up", self._roll_up, first_s=60.0)
        self.schedule.weekly(REPORT_DAY, REPORT_HOUR, self.plan.site.site.time_zone, "report", self._report)

    async def _in_thread(self, work: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)

    async def _keep(self) -> None:
        if self.store.due(self._now()):
            await self._in_thread(self._flush)

    def _flush(self) -> None:
        try:
            if self.store.flush(self._now()):
                self._unkept.kept(self._now())
        except StoreError as error:
            # What waits goes on waiting, up to the store's bound; the daemon goes on looking.
            self._unkept.failed(error, self._now())

    async def _judge(self) -> None:
        await self._in_thread(self._judge_now)

    def _judge_now(self) -> None:
        now = self._now()
        # What merely goes on is seen before it is committed. A commit that is nearly due goes before the reading: the first
        # reading after a commit notes in the index of the log that it saw it, and so both dirty that page but once.
        if self.store.due(now + timedelta(seconds=KEEP_EVERY_S)) or self.store.has_news():
            self._flush()
        site, ledger = self.plan.site, self.plan.ledger
        seen = see(self.store, site, now)
        seen = replace(seen, sources=(*seen.sources, self._unkept.condition(now)))
        judgement = judge(site, ledger, seen, self.store.open_findings(), now, memory=self._memory)
        kept = True
        unkept: tuple[Finding, ...] = ()
        try:
            keep(self.store, judgement, now)
        except StoreError as error:
            kept = False
            self._unkept.failed(error, now)
            self._memory, unkept = not_kept(self._memory, judgement)
        else:
            self._memory = judgement.memory
            for finding in judgement.opened:
                log.warning("opened: %s: %s", finding.place, finding.text)
            for finding in judgement.closed:
                log.info("closed: %s: %s", finding.place, finding.text)
        shown = self.store.open_findings()
        self._state = page_state(site, ledger, seen, judgement, shown, unkept=unkept, jobs={}, jumps=0)
        if kept:
            self._teller.tell(now)

    async def _deliver(self) -> None:
        try:
            await self._courier.deliver()
        except StoreError as error:
            # What was sent and could not be marked is marked by the next round, before anything else is sent.
            await self._in_thread(self._unkept.failed, error, self._now())

    async def _roll_up(self) -> None:
        await self._in_thread(self._roll_up_now)

    def _roll_up_now(self) -> None:
        self._flush()
        try:
            self.store.rollup(self._now())
            self.store.prune(self._now())
        except StoreError as error:
            # The next turn rolls up what this one could not.
            self._unkept.failed(error, self._now())

    async def _report(self) -> None:
        await self._roll_up()
        where = (str(self.plan.path), self.kept_at, str(self.reports))
        letter = await write_weekly(*where, site=self.plan.site.site.name)
        log.info("wrote the weekly report into %s", self.reports)
        await self._in_thread(put_weekly, self.store, self.channels, letter, self._now())
