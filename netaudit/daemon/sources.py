"""
The other eyes of the daemon: switch counters, metric endpoints, programs, radios by ear, services, the way out, isolation.

Each is on its own schedule with its own health; one that fails is a source in trouble and holds up nobody.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from ipaddress import IPv4Network
from pathlib import Path
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError, NetauditError
from netaudit.observe.attempt import attempt
from netaudit.observe.command import run_command
from netaudit.observe.dhcp_servers import dhcp_servers
from netaudit.observe.echo import EchoTarget, echo
from netaudit.observe.endpoint import EndpointLook, Wanted
from netaudit.observe.isolation import Target, compare, try_reach
from netaudit.observe.observation import Health
from netaudit.observe.outside import look_outside
from netaudit.observe.radio_ear import Ear
from netaudit.observe.services import TIME, NamedDevice, ask_names
from netaudit.observe.snmp.agent import Agent, Community, User, secret
from netaudit.observe.snmp.links import Hangs
from netaudit.observe.snmp.opening import open_agent
from netaudit.observe.snmp.switch import TABLES_EVERY_S, SwitchLook
from netaudit.observe.time_server import ask_time
from netaudit.site.topology import follow

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from netaudit.daemon.looks import Looks
    from netaudit.daemon.schedule import Schedule
    from netaudit.observe.observation import Observation
    from netaudit.site.model import Command, Site, Snmp

log = logging.getLogger(__name__)

LOOPBACK: Final = IPv4Network("127.0.0.0/8")
# Sources begin apart, after the first sweep has begun to learn who is where.
FIRST_S: Final = 2.0
STAGGER_S: Final = 0.5
# By then the first sweep of a /20 has found the router (4,094 addresses at the default pace of 200 a second take 21 s).
LEARNT_S: Final = 30.0
# What a program gets of our own environment without being asked: where programs are, and how to write numbers.
PLAIN_VARIABLES: Final = ("PATH", "LANG")
GATEWAY_PROBES: Final = 3


@dataclass(frozen=True, slots=True)
class Job:
    """One look on the schedule; `name` is the source's, `first_s` how long after the start it begins."""

    name: str
    every_s: float
    run: Callable[[], Awaitable[None]]
    first_s: float


class Sources:
    """
    The looks of a plan that go beyond its segments.

    Args:      sink takes observations; environ holds the secrets by the names that the plan gives; looks: those at the
               segments, which learn the router's MAC; tables_every_s: how often a switch's tables are read.
    """

    def __init__(
        self,
        site: Site,
        *,
        sink: Callable[[Iterable[Observation]], None],
        now: Callable[[], datetime],
        environ: Mapping[str, str],
        looks: Sequence[Looks],
        tables_every_s: float = TABLES_EVERY_S,
    ) -> None:
        self._site = site
        self._sink = sink
        self._now = now
        self._environ = environ
        self._looks = looks
        self._tables_every_s = tables_every_s
        self._networks = (*(segment.network for segment in site.segment.values()), LOOPBACK)
        self._failing: set[str] = set()
        self.jobs = tuple(self._all())

    def plan(self, schedule: Schedule) -> None:
        """Put every look on the daemon's timetable, their beginnings apart."""
        for index, job in enumerate(self.jobs):
            schedule.every(job.every_s, job.name, job.run, first_s=job.first_s + index * STAGGER_S)

    def _all(self) -> Iterator[Job]:
        site = self._site
        for name, switch in site.switch.items():
            if switch.snmp is not None:
                yield self._job(f"snmp:{name}", switch.snmp.every_s, self._switch(name, switch.snmp, switch.supply_w))
        for name, source in site.source.items():
            wanted = Wanted(
                source.url,
                source.metric,
                source.place,
                source.kind,
                labels=source.labels,
                scale=source.scale,
                per_second=source.per_second,
            )
            look = EndpointLook(wanted, networks=self._networks, now=self._now)
            yield self._job(f"endpoint:{name}", source.every_s, look.look)
        for name, command in site.command.items():
            yield self._job(f"command:{name}", command.every_s, self._command(f"command:{name}", command))
        own = {bssid: name for name, point in site.access_point.items() for bssid in point.bssids}
        for name, ear in site.ear.items():
            one = Ear(
                f"ear:{name}",
                own,
                interface=ear.interface,
                file=Path(ear.file) if ear.file is not None else None,
                listen_s=ear.listen_s,
                now=self._now,
            )
            yield self._job(f"ear:{name}", ear.every_s, one.look)
        yield from self._services()
        if site.outside.hosts:
            yield self._job("outside", site.outside.every_s, self._outside)

        if site.isolation.hosts:
            for segment_look in self._looks:
                name = segment_look.name
                yield self._job(
                    f"isolation:{name}", site.isolation.every_s, self._isolation(segment_look), first_s=LEARNT_S
                )

    def _services(self) -> Iterator[Job]:
        services = self._site.services
        if services.resolver is not None:
            yield self._job("names", services.every_s, self._names)
        if services.time_server is not None:
            yield self._job("time", services.every_s, self._time)
        if services.dhcp:
            for look in self._looks:
                yield self._job(f"dhcp:{look.name}", services.every_s, self._dhcp(look))

    def _job(
        self,
        name: str,
        every_s: float,
        look: Callable[[], Awaitable[Iterable[Observation]]],
        *,
        first_s: float = FIRST_S,
    ) -> Job:
        async def run() -> None:
            told = await attempt(name, look, now=self._now)
            self._note(name, told)
            self._sink(told)

        return Job(name, every_s, run, first_s)

    def _note(self, name: str, told: Iterable[Observation]) -> None:
        """Write a source's trouble into the log when it begins, and its end."""
        bad = next((one.reason for one in told if isinstance(one, Health) and not one.good), None)
        if bad is not None and name not in self._failing:
            self._failing.add(name)
            log.warning("%s: %s", name, bad)
        elif bad is None and name in self._failing:
            self._failing.discard(name)
            log.info("%s: works again", name)

    def _switch(self, name: str, snmp: Snmp, supply_w: float) -> Callable[[], Awaitable[Iterable[Observation]]]:
        made: list[SwitchLook] = []

        async def look() -> tuple[Observation, ...]:
            # A secret that is missing is the source's trouble, not the daemon's end; once it is there it works.
            if not made:
                client = open_agent(self._agent(name, snmp), networks=self._networks)
                made.append(
                    SwitchLook(
                        name,
                        client,
                        hangs=lambda: self.hangs(name),
                        planned_w=supply_w,
                        tables_every_s=self._tables_every_s,
                        # The next visit must not find the last one still there.
                        deadline_s=min(30.0, 0.8 * snmp.every_s),
                        now=self._now,
                    )
                )
            return await made[0].look()

        return look

    def _agent(self, name: str, snmp: Snmp) -> Agent:
        """
        Give a switch's agent with its key from the environment.

        Raises:    LookError: a variable is not set.
        """
        whose = f"switch {name}"
        if snmp.version == "2c":
            return Agent(
                snmp.address, Community(secret(self._environ, snmp.community_env or "", whose=whose)), snmp.port
            )
        user = User(
            snmp.user or "",
            secret(self._environ, snmp.auth_env or "", whose=whose),
            secret(self._environ, snmp.privacy_env or "", whose=whose),
            auth_by=snmp.authentication,
            privacy_by=snmp.privacy,
        )
        return Agent(snmp.address, user, snmp.port)

    def hangs(self, name: str) -> Hangs:
        """
        Give who hangs on a switch, by MACs and by the names that they give themselves.

        The router is known by the MACs that it was seen with, and all by those of the plan.
        """
        site, topology = self._site, follow(self._site)
        snmp = site.switch[name].snmp
        above = {mac for look in self._looks for mac, known in look.learnt.items() if known.address == look.gateway}
        above.update(site.router.mac)
        parent = topology.uplink[name]
        if parent in site.switch:
            # The next switch's own word says more than that the router was learnt there.
            above.update({parent, *_mac_of(site.switch[parent].mac)})
        below = {
            f"link:access_point/{point}": frozenset({*_mac_of(one.mac), *one.bssids})
            for point, one in site.access_point.items()
            if topology.access_point_switch[point] == name
        }
        for recorder, kept in site.recorder.items():
            if topology.recorder_switch[recorder] == name and kept.mac:
                below[f"link:recorder/{recorder}"] = frozenset({kept.mac})
        for below_it, other in site.switch.items():
            # A switch that is asked itself tells of its own uplink; of another one the port above knows as much.
            if other.uplink == f"switch:{name}" and other.snmp is None:
                below[f"link:switch/{below_it}"] = frozenset({below_it, *_mac_of(other.mac)})
        return Hangs(f"link:switch/{name}", snmp.uplink_port if snmp else None, frozenset(above), below)

    def _command(self, source: str, command: Command) -> Callable[[], Awaitable[Iterable[Observation]]]:
        environment = {
            name: self._environ[name] for name in (*PLAIN_VARIABLES, *command.environment) if name in self._environ
        }

        async def look() -> tuple[Observation, ...]:
            return await run_command(
                source, command.run, environment=environment, timeout_s=command.timeout_s, now=self._now
            )

        return look

    async def _names(self) -> tuple[Observation, ...]:
        services = self._site.services
        devices = [
            NamedDevice(f"device:{name}", device.hostname, device.address)
            for name, device in self._site.device.items()
            if device.hostname is not None and device.count == 1
        ]
        if services.resolver is None:
            return ()
        return await ask_names(
            "names", services.resolver, devices, services.names, networks=self._networks, now=self._now
        )

    async def _time(self) -> tuple[Observation, ...]:
        server = self._site.services.time_server
        if server is None:
            return ()
        told = await ask_time(server, place=TIME, networks=self._networks, now=self._now)
        silent = told[0].value is None
        reason = f"time server {server} gave no answer" if silent else ""
        return (*told, Health(self._now(), "time", good=not silent, reason=reason))

    def _dhcp(self, look: Looks) -> Callable[[], Awaitable[Iterable[Observation]]]:
        async def ask() -> tuple[Observation, ...]:
            return (await dhcp_servers(look.interface, segment=look.name)).notices

        return ask

    def _isolation(self, look: Looks) -> Callable[[], Awaitable[Iterable[Observation]]]:
        site = self._site
        only = next(iter(site.segment))
        targets = []
        for ref in site.isolation.hosts:
            kind, _, name = ref.partition(":")
            one = getattr(site, kind)[name]
            segment = one.segment or only
            if segment != look.name:
                targets.append(Target(ref, segment, one.address))

        async def ask() -> tuple[Observation, ...]:
            at = self._now()
            gateway = next((mac for mac, known in look.learnt.items() if known.address == look.gateway), None)
            if gateway is None:
                raise LookError(f"the router's address {look.gateway} was not heard in segment {look.name} yet")
            reaches = await try_reach(
                look.interface,
                gateway_mac=bytes.fromhex(gateway.replace(":", "")),
                network=look.segment.network,
                targets=targets,
                ports=site.isolation.ports,
                networks=[segment.network for segment in site.segment.values()],
            )
            return compare(look.name, reaches, look.segment.may_reach, at)

        return ask

    async def _outside(self) -> tuple[Observation, ...]:
        doors = [(host, int(port)) for host, _, port in (door.rpartition(":") for door in self._site.outside.hosts)]
        return await look_outside("outside", doors, gateway_answers=self.gateway_answers, now=self._now)

    async def gateway_answers(self) -> bool | None:
        """Ask the router by echo from the first segment that has learnt its MAC; None where it can't be asked."""
        for look in self._looks:
            for mac, known in look.learnt.items():
                if known.address == look.gateway:
                    target = EchoTarget(f"segment:{look.name}/gateway", known.address, mac)
                    try:
                        result = await echo(
                            look.interface,
                            [target],
                            networks=[look.segment.network],
                            count=GATEWAY_PROBES,
                            gap_s=0.1,
                            interval_s=1.0,
                            timeout_s=0.5,
                            pace=look.pace,
                        )
                    except NetauditError:
                        return None
                    return any(sample.value is not None for sample in result.samples)
        # Others were heard and the router was not: it is silent. Where nobody was heard, nothing can be said.
        return False if any(look.learnt for look in self._looks) else None


def _mac_of(mac: str | None) -> tuple[str, ...]:
    return (mac,) if mac is not None else ()
