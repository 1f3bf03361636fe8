"""
The life of the daemon over changes of its plan: it takes the plan anew, or ends, as it is ordered (`orders.py`).

A changed plan is read, held against its laws and reckoned while the one before is still watched. One that can't be is
refused: it is logged, and told as trouble of the source `plan`; the one before goes on. One that can is watched after a
clean end of the other, with the same store: history, open findings and who is present go on.
"""

from __future__ import annotations

import asyncio
import logging
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.audit.seen import keep_of, tolerance_of
from netaudit.capacity.ledger import gather
from netaudit.daemon.looks import utc_now
from netaudit.daemon.notify_socket import stay_alive, tell
from netaudit.daemon.prepare import prepare
from netaudit.daemon.watch import Plan, Watch, refuse_unfit
from netaudit.errors import NetauditError, PlanError
from netaudit.observe.observation import Health
from netaudit.site.load import parse_site, read_plan
from netaudit.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from netaudit.daemon.orders import Orders

log = logging.getLogger(__name__)

SOURCE: Final = "plan"


def load_plan(path: Path) -> Plan:
    """
    Read the plan and reckon its ledger.

    Raises:    PlanError: it can't be read, or says something that can't be.
    """
    text = read_plan(str(path))
    site = parse_site(text, str(path))
    return Plan(path, site, text, gather(site))


@dataclass(frozen=True, slots=True)
class Life:
    """
    What stays the same over all plans: where things are, the environment, who gives orders and who is told that watching has begun.

    ready   called with the watch when it has begun, and whether it is the first
    """

    path: Path
    kept_at: str
    reports: Path
    environ: Mapping[str, str]
    ready: Callable[[Watch, bool], None]
    orders: Orders

    def live(self) -> None:
        """
        Watch until told to end.

        Raises:    NetauditError: the first plan can't be watched; later ones are refused.
        """
        running: Plan | None = None
        refused = ""
        first = load_plan(self.path)
        refuse_unfit(first)
        prepare(self.kept_at, first.site.site.name)
        following: Plan | None = first
        while following is not None and not self.orders.end:
            plan = following
            with Store.open(
                self.kept_at,
                site=plan.site.site.name,
                clock=utc_now,
                tolerance=tolerance_of(plan.site),
                keep=keep_of(plan.site),
            ) as store:
                try:
                    watch = Watch(plan, store, self.kept_at, self.reports)
                except NetauditError as error:
                    if running is None or plan is running:
                        raise
                    refused = _said(error)
                    log.error("%s", _refusal(refused))  # noqa: TRY400 - the line says what to do
                    following = running
                    continue
                following = asyncio.run(self._watch(watch, refused, first=running is None))
            running, refused = plan, ""
        tell("STOPPING=1", self.environ)

    async def _watch(self, watch: Watch, refused: str, *, first: bool) -> Plan | None:
        """Watch one plan; gives the one to watch next, None to end."""
        loop = asyncio.get_running_loop()
        stop, again = asyncio.Event(), asyncio.Event()

        def heard() -> None:
            if self.orders.end:
                stop.set()
            if self.orders.again:
                again.set()

        self.orders.hear(lambda: loop.call_soon_threadsafe(heard))
        # What was ordered while nobody heard.
        heard()
        _tell_health(watch, refused)
        following: list[Plan] = []

        def ready() -> None:
            self.ready(watch, first)
            tell("READY=1", self.environ)

        async def take_anew() -> None:
            while not following:
                await again.wait()
                self.orders.again = False
                again.clear()
                # MONOTONIC_USEC: by it the manager knows which of its orders this answers (sd_notify(3)).
                tell(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}", self.environ)
                changed = await self._changed(watch)
                if changed is not None:
                    following.append(changed)
                    stop.set()
                else:
                    tell("READY=1", self.environ)

        beside = [asyncio.create_task(take_anew()), asyncio.create_task(stay_alive(self.environ))]
        try:
            await watch.run(stop, ready)
        finally:
            for task in beside:
                task.cancel()
            await asyncio.gather(*beside, return_exceptions=True)
            # This loop ends: until the next one hears, orders are only kept.
            self.orders.hear(lambda: None)
        return following[0] if following else None

    async def _changed(self, watch: Watch) -> Plan | None:
        """Read the plan anew; gives it if it is another and can be watched, as far as can be told before it is."""
        try:
            plan = await asyncio.to_thread(load_plan, self.path)
            if plan.site.site.name != watch.plan.site.site.name:
                raise PlanError(
                    f'the store is of "{watch.plan.site.site.name}": keep that name, or run with another --store',
                    file=str(self.path),
                )
        except NetauditError as error:
            log.error("%s", _refusal(_said(error)))  # noqa: TRY400 - the line says what to do
            _tell_health(watch, _said(error))
            return None
        _tell_health(watch, "")
        if plan.text == watch.plan.text:
            log.info("the plan is unchanged")
            return None
        log.info("the plan has changed and is taken")
        return plan


def _said(error: NetauditError) -> str:
    """Say a fault, and how many more there are."""
    more = len(error.more) if isinstance(error, PlanError) else 0
    return f"{error}{f' (and {more} more)' if more else ''}"


def _refusal(said: str) -> str:
    return f"the new plan is refused and the one before goes on: {said}"


def _tell_health(watch: Watch, refused: str) -> None:
    watch.store.write((Health(utc_now(), SOURCE, good=not refused, reason=refused),))
