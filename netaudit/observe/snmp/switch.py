"""
One switch, visited again and again: counters each time, tables every few minutes, and what has happened in between.

A switch that answers nothing, or nonsense, is a source in trouble with its reason; what could be read is told all the same.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError
from netaudit.observe.observation import Health, Notice, Sample
from netaudit.observe.snmp.counters import (
    BITS_32,
    BITS_64,
    TICKS_PER_S,
    TICKS_ROUND,
    counted,
    line_rate_bps,
    most_frames,
    most_octets,
    ran_through,
    rounds,
)
from netaudit.observe.snmp.forwarding import read_bridge_ports, read_forwarding
from netaudit.observe.snmp.interfaces import read_interfaces
from netaudit.observe.snmp.links import Hangs, Way, find_links
from netaudit.observe.snmp.neighbours import read_neighbours
from netaudit.observe.snmp.power import FAULTS, rating_of, read_power, unit_of
from netaudit.observe.snmp.system import read_system, read_uptime

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from netaudit.observe.observation import Observation
    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.power import Unit
    from netaudit.observe.snmp.tables import Interface, Neighbour, PoweredPort, PowerSupply

# What is judged by these tables looks 15 minutes back (three rounds); forwarding tables forget after 300 s.
TABLES_EVERY_S: Final = 300.0
# A house's switch with 28 ports is read in well under a second; a stack on a slow processor in some ten.
DEADLINE_S: Final = 30.0
# The most MACs that are told one by one; a table that is fuller is told of as trouble (a plan knows 1,000 devices).
MOST_MACS: Final = 4096
# No port spoils as many frames between two visits as half of a counter's round: whoever says so was reset.
MOST_FAULTS: Final = 1 << 31


@dataclass(frozen=True, slots=True)
class Counters:
    """The interfaces as read at one moment of a steady clock [s], and sysUpTime then."""

    at_s: float
    ticks: int
    interfaces: Mapping[int, Interface]


@dataclass(slots=True)
class _Tables:
    """What changes slowly, as last read."""

    read_s: float = float("-inf")
    forwarding: Mapping[str, frozenset[int]] = field(default_factory=dict)
    neighbours: tuple[Neighbour, ...] = ()


class SwitchLook:
    """
    The looks at one switch.

    Args:      name in the plan; hangs: who is on it, asked anew each time, as the router's MAC is learnt along the way;
               planned_w: its supply by the plan, 0 when it has none; steady: a clock that only goes forward [s].
    """

    def __init__(
        self,
        name: str,
        client: SnmpClient,
        *,
        hangs: Callable[[], Hangs],
        planned_w: float = 0.0,
        tables_every_s: float = TABLES_EVERY_S,
        deadline_s: float = DEADLINE_S,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self.place = f"switch:{name}"
        self.source = f"snmp:{name}"
        self._client = client
        self._hangs = hangs
        self._planned_w = planned_w
        self._tables_every_s = tables_every_s
        self._deadline_s = deadline_s
        self._now = now
        self._steady = steady
        self._before: Counters | None = None
        self._rounds = 0
        self._tables = _Tables()
        self._unit: Unit | None = None

    async def look(self) -> tuple[Observation, ...]:
        """Visit the switch once; the last observation is how the visit went. Never raises for what the switch does."""
        told: list[Observation] = []
        try:
            async with asyncio.timeout(self._deadline_s):
                trouble = await self._visit(told)
        except TimeoutError:
            trouble = [f"it took longer than {self._deadline_s:g} s to answer everything"]
        except LookError as error:
            trouble = [str(error)]
        reason = "; ".join(trouble)
        return (*told, Health(self._now(), self.source, good=not reason, reason=reason))

    async def _visit(self, told: list[Observation]) -> list[str]:
        """Read everything that is due; gives what was wrong."""
        trouble: list[str] = []
        async with self._client as client:
            at, ticks, ticks_s = self._now(), await read_uptime(client), self._steady()
            interfaces, fault = await read_interfaces(client)
            trouble += [fault] if fault else []
            if not interfaces:
                trouble.append("it answers, but lists no interfaces")
            middle_s = (ticks_s + self._steady()) / 2
            bridge_ports = await read_bridge_ports(client)
            counters = Counters(middle_s, ticks, {one.index: one for one in interfaces})
            if self._steady() - self._tables.read_s >= self._tables_every_s:
                trouble += await self._read_tables(client, told, interfaces=interfaces, bridge_ports=bridge_ports)
        ports = {one.index: one.index for one in interfaces}
        if bridge_ports:
            ports = {if_index: port for port, if_index in bridge_ports.items()}
        before, self._before = self._before, counters
        told.append(Sample(at, self.place, "uptime_s", self._uptime_s(before, counters)))
        told += port_samples(
            self.place,
            at,
            before,
            counters,
            ports=ports,
            ways=find_links(self._hangs(), self._tables.forwarding, self._tables.neighbours),
        )
        return trouble

    def _uptime_s(self, before: Counters | None, counters: Counters) -> float:
        """Give the time since the agent's start; ticks that went round while we watched are counted on."""
        if before is not None:
            elapsed_s = counters.at_s - before.at_s
            self._rounds = rounds(before.ticks, counters.ticks, elapsed_s, so_far=self._rounds)
        return (counters.ticks + self._rounds * TICKS_ROUND) / TICKS_PER_S

    async def _read_tables(
        self,
        client: SnmpClient,
        told: list[Observation],
        *,
        interfaces: list[Interface],
        bridge_ports: Mapping[int, int],
    ) -> list[str]:
        at = self._now()
        system = await read_system(client)
        if system.firmware:
            told.append(Notice(at, self.place, "firmware", (("text", system.firmware),)))
        forwarding, fault = await read_forwarding(client)
        trouble = [fault]
        neighbours, fault = await read_neighbours(client, interfaces, bridge_ports)
        trouble.append(fault)
        supplies, powered, fault = await read_power(client)
        trouble.append(fault)
        pairs = [(mac, port) for mac, found in forwarding.items() for port in sorted(found)]
        if len(pairs) > MOST_MACS:
            trouble.append(f"forwarding table: {len(pairs)} entries, of which the first {MOST_MACS} are told")
        for mac, port in pairs[:MOST_MACS]:
            told.append(Notice(at, f"{self.place}/port:{port}", "forwarding", (("mac", mac),)))
        for one in neighbours:
            detail = (("chassis", one.chassis), ("name", one.name), ("port", one.port_name))
            told.append(Notice(at, f"{self.place}/port:{one.port}", "lldp_neighbour", detail))
        power, fault = self._power(at, supplies, powered)
        told += power
        trouble.append(fault)
        self._tables = _Tables(self._steady(), forwarding, tuple(neighbours))
        return [one for one in trouble if one]

    def _power(
        self, at: datetime, supplies: list[PowerSupply], ports: list[PoweredPort]
    ) -> tuple[list[Observation], str]:
        """Add the supplies up, each in its unit; what counts in milliwatts once does so for good."""
        told: list[Observation] = []
        if not supplies:
            return told, ""
        units = [self._unit or unit_of(one, ports, planned_w=self._planned_w) for one in supplies]
        if "mW" in units:
            self._unit = "mW"
            detail = (("reason", "as watts it would be more than the supply has"), ("unit", "mW"))
            told.append(Notice(at, self.place, "power_unit", detail))
        trouble = ""
        if None in units:
            one = supplies[units.index(None)]
            trouble = f"power: {one.consumption} in use of {one.rating} is neither watts nor milliwatts"
        else:
            drawn = (one.consumption / 1000 if self._unit == "mW" else float(one.consumption) for one in supplies)
            rated = (rating_of(one.rating, planned_w=self._planned_w) for one in supplies)
            told += [
                Sample(at, self.place, "power_w", sum(drawn)),
                Sample(at, self.place, "power_rating_w", sum(rated)),
            ]
        several = len({one.group for one in ports}) > 1
        for port in ports:
            # In a stack the port's number alone could mean two sockets.
            place = f"{self.place}/port:{port.group}.{port.number}" if several else f"{self.place}/port:{port.number}"
            if port.power_class is not None:
                told.append(Sample(at, place, "power_class", port.power_class))
            if port.status in FAULTS:
                told.append(Notice(at, place, "power_fault", (("status", port.status),)))
        return told, trouble


def port_samples(
    place: str,
    at: datetime,
    before: Counters | None,
    now: Counters,
    *,
    ports: Mapping[int, int],
    ways: Mapping[int, Way],
) -> Iterator[Sample]:
    """
    Tell what two readings of the counters show: ports with a link, speeds, rates, errors and discards in between. Pure.

    Rates are those on the line, preambles and gaps included, as the ledger's are; of an agent that doesn't count frames they
    are those of the octets alone. Received at a port is upwards for what hangs below it, and downwards at the uplink.

    Args:      before: None at the first visit and after one that failed; ports: ifIndex -> port; ways: port -> link.
    """
    bridged = [one for one in now.interfaces.values() if one.index in ports and (one.physical or one.aggregate)]
    # The sockets behind an aggregate are no bridge ports themselves, and are in use all the same.
    behind = any(one.aggregate for one in bridged)
    sockets = [one for one in now.interfaces.values() if one.physical and (one.index in ports or behind)]
    if sockets:
        yield Sample(at, place, "ports_up", sum(one.up for one in sockets))
    elapsed_s = now.at_s - before.at_s if before is not None else 0.0
    whole = before is not None and ran_through(before.ticks, now.ticks, elapsed_s)
    for one in bridged:
        port = ports[one.index]
        where = f"{place}/port:{port}"
        way = ways.get(port)
        speed_bps = one.speed_bps if one.up else 0.0
        yield Sample(at, where, "speed_bps", speed_bps)
        if way is not None:
            yield Sample(at, way.link, "speed_bps", speed_bps)
        earlier = before.interfaces.get(one.index) if before is not None and whole else None
        if earlier is None or earlier.reset != one.reset or earlier.bits != one.bits:
            continue
        received_bps, sent_bps = _rates(earlier, one, elapsed_s)
        if one.up:
            for kind, rate_bps in (("rx_bps", received_bps), ("tx_bps", sent_bps)):
                if rate_bps is not None:
                    yield Sample(at, where, kind, rate_bps)
        if way is not None:
            up_bps, down_bps = (sent_bps, received_bps) if way.upward else (received_bps, sent_bps)
            for kind, rate_bps in (("up_bps", up_bps), ("down_bps", down_bps)):
                if rate_bps is not None:
                    yield Sample(at, way.link, kind, rate_bps)
        for kind, was, is_ in (
            ("errors", earlier.errors, one.errors),
            ("discards", earlier.discards, one.discards),
        ):
            number = _sum(was, is_, min(most_frames(elapsed_s, _fastest(earlier, one)), MOST_FAULTS))
            # A socket that nothing is plugged into counts nothing, and need not say so each time.
            if number is not None and (number or one.up):
                yield Sample(at, where, kind, number)


def _fastest(before: Interface, now: Interface) -> float:
    """Give the speed that bounds what was counted: 0, the fastest there is, where either reading doesn't say its own."""
    return max(before.speed_bps, now.speed_bps) if before.speed_bps and now.speed_bps else 0.0


def _rates(before: Interface, now: Interface, elapsed_s: float) -> tuple[float | None, float | None]:
    """Give what was received and sent [bit/s], None where it can't be told."""
    speed_bps = _fastest(before, now)

    def rate_bps(octets: tuple[int | None, int | None], frames: tuple[int | None, int | None]) -> float | None:
        if octets[0] is None or octets[1] is None:
            return None
        carried = counted(octets[0], octets[1], bits=now.bits, most=most_octets(elapsed_s, speed_bps))
        if carried is None:
            return None
        packets = None
        if frames[0] is not None and frames[1] is not None:
            packets = counted(frames[0], frames[1], bits=BITS_64, most=most_frames(elapsed_s, speed_bps))
        return line_rate_bps(carried, packets or 0, elapsed_s)

    return (
        rate_bps((before.octets_in, now.octets_in), (before.frames_in, now.frames_in)),
        rate_bps((before.octets_out, now.octets_out), (before.frames_out, now.frames_out)),
    )


def _sum(before: tuple[int | None, int | None], now: tuple[int | None, int | None], most: float) -> int | None:
    """Add up what both directions counted; None where neither can be told."""
    found = [
        counted(was, is_, bits=BITS_32, most=most)
        for was, is_ in zip(before, now, strict=True)
        if was is not None and is_ is not None
    ]
    known = [one for one in found if one is not None]
    return sum(known) if known else None
