"""
One watched segment: the sweep, the echoes to what the sweep has learnt, the passive listener.

Each look yields observations and the health of its source; what a look can't do now (interface down, cable out) is a bad
health with its reason, and the next turn tries again.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, ip_address
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError, NetauditError
from netaudit.observe.echo import EchoTarget, echo
from netaudit.observe.listener import REPEAT_S, Listener
from netaudit.observe.observation import Health, How, Sighting
from netaudit.observe.pace import Pace
from netaudit.observe.rights import need_raw
from netaudit.observe.sweep import sweep
from netaudit.observe.sweep6 import likely_addresses, sweep6

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable
    from ipaddress import IPv6Network

    from netaudit.observe.observation import Observation
    from netaudit.site.model import Looking, Segment, Site

log = logging.getLogger(__name__)

# Who was not seen for this many sweeps is no longer asked by echo: losses of one that left say nothing of the network.
FORGET_AFTER_SWEEPS: Final = 3
# A full /20. Beyond it, the newest are not asked; the listener's flood finding tells of such a crowd.
MOST_LEARNT: Final = 4096
# The last answers of a round must be in before the next begins.
ROUND_SHARE: Final = 0.8


def need_looks(site: Site) -> None:
    """
    See that this process may look, and at something.

    Raises:    LookError: without the right to, or no segment names an interface.
    """
    need_raw()
    if all(segment.interface is None for segment in site.segment.values()):
        raise LookError('no segment names this box\'s interface: write interface = "eth0" in a [segment.NAME]')


@dataclass(frozen=True, slots=True)
class Learnt:
    """Where a MAC was last seen."""

    address: IPv4Address
    at: datetime


class Looks:
    """
    The looks at one segment through one interface.

    Args:      sink takes observations; now gives the aware present.
    """

    def __init__(
        self,
        name: str,
        segment: Segment,
        interface: str,
        looking: Looking,
        *,
        sink: Callable[[Iterable[Observation]], None],
        now: Callable[[], datetime],
    ) -> None:
        self.name = name
        self.segment = segment
        self.interface = interface
        self.looking = looking
        self.learnt: dict[str, Learnt] = {}
        # One for all looks: what a plan allows on a segment is their sum.
        self.pace = Pace(looking.pace_per_s, now_s=time.monotonic())
        self._sink = sink
        self._now = now

    @property
    def gateway(self) -> IPv4Address:
        """The router's address here."""
        return self.segment.gateway or self.segment.network[1]

    def learn(self, observations: Iterable[Observation]) -> None:
        """Remember who is where, for the echoes."""
        for one in observations:
            if isinstance(one, Sighting) and one.segment == self.name and one.address is not None:
                address = ip_address(one.address)
                if isinstance(address, IPv4Address) and address in self.segment.network:
                    if one.mac not in self.learnt and len(self.learnt) >= MOST_LEARNT:
                        continue
                    self.learnt[one.mac] = Learnt(address, one.at)

    async def sweep(self) -> None:
        """Ask every address of the segment once, the silent again; then over IPv6, where the plan names its network."""

        async def look() -> tuple[Observation, ...]:
            result = await sweep(
                self.interface,
                self.segment.network,
                segment=self.name,
                pace=self.pace,
                retries=self.looking.retries,
            )
            self.learn(result.sightings)
            self._forget()
            return (*result.sightings, *result.samples, *result.notices)

        await self._look(f"sweep:{self.name}", look)
        if self.segment.network6 is not None:
            await self._sweep6(self.segment.network6)

    async def _sweep6(self, network: IPv6Network) -> None:
        """Ask all nodes, and the addresses that devices known by now make of their MACs."""

        async def look() -> tuple[Observation, ...]:
            known = (bytes.fromhex(mac.replace(":", "")) for mac in self.learnt)
            result = await sweep6(
                self.interface,
                segment=self.name,
                networks=[network],
                candidates=likely_addresses(known, [network]),
                pace=self.pace,
                retries=self.looking.retries,
            )
            return result.sightings

        await self._look(f"sweep6:{self.name}", look)

    async def listen(self) -> None:
        """Hear what is said without being asked, until cancelled; a listener that can't is a source in trouble."""
        listener = Listener(
            self.interface, self.name, sink=self._heard, repeat_s=min(REPEAT_S, self.looking.sweep_every_s)
        )
        try:
            await listener.run()
        except NetauditError as error:
            log.warning("listen:%s: %s", self.name, error)
            self._sink((Health(self._now(), f"listen:{self.name}", good=False, reason=str(error)),))

    def _heard(self, observations: Iterable[Observation]) -> None:
        heard = tuple(observations)
        self.learn(heard)
        self._sink(heard)

    async def echo_devices(self) -> None:
        """Ask each learnt device once, spread over the interval."""
        targets = [
            EchoTarget(f"device:{mac}", known.address, mac)
            for mac, known in self.learnt.items()
            if known.address != self.gateway
        ]
        await self._echo(f"echo:{self.name}", targets, self.looking.echo_every_s)

    async def echo_gateway(self) -> None:
        """Ask the gateway, which tells the segment's own delay from the devices'."""
        targets = [
            EchoTarget(f"segment:{self.name}/gateway", known.address, mac)
            for mac, known in self.learnt.items()
            if known.address == self.gateway
        ]
        await self._echo(f"gateway:{self.name}", targets, self.looking.gateway_every_s)

    async def _echo(self, source: str, targets: list[EchoTarget], interval_s: float) -> None:
        if not targets:
            return

        async def look() -> tuple[Observation, ...]:
            spread_s = max(interval_s * ROUND_SHARE, len(targets) / self.looking.pace_per_s)
            result = await echo(
                self.interface,
                targets,
                networks=[self.segment.network],
                count=1,
                interval_s=spread_s,
                timeout_s=min(1.0, max(0.1, interval_s - spread_s)),
                pace_hz=self.looking.pace_per_s,
                pace=self.pace,
            )
            by_place = {target.place: target for target in targets}
            answered = [
                Sighting(
                    sample.at, self.name, by_place[sample.place].mac, str(by_place[sample.place].address), How.ECHO
                )
                for sample in result.samples
                if sample.value is not None
            ]
            self.learn(answered)
            return (*result.samples, *answered)

        await self._look(source, look)

    def _forget(self) -> None:
        oldest = self._now() - timedelta(seconds=FORGET_AFTER_SWEEPS * self.looking.sweep_every_s)
        self.learnt = {mac: known for mac, known in self.learnt.items() if known.at >= oldest}

    async def _look(self, source: str, look: Callable[[], Awaitable[tuple[Observation, ...]]]) -> None:
        """Take one look; hand on what it saw and how the source is doing."""
        try:
            seen = await look()
        except NetauditError as error:
            log.warning("%s: %s", source, error)
            self._sink((Health(self._now(), source, good=False, reason=str(error)),))
        else:
            self._sink((*seen, Health(self._now(), source, good=True, reason="")))


def utc_now() -> datetime:
    """Give the aware present."""
    return datetime.now(UTC)
