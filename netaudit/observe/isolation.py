"""
May one segment reach another as the plan says: tried from the first, through its router, at hosts and ports of the plan only.

An echo and a SYN go to the router's MAC with our own address in the segment as their source; what comes back was let through.
An echo reply or a SYN-ACK shows that the host was reached. A reset shows it not: a router that refuses sends the same. Silence
shows isolation only as far as the host answers anybody at all, and only for a machine like this one: a router that has rules for
single addresses may treat others in another way.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Notice, Sample
from netaudit.observe.pace import Pace
from netaudit.observe.packet_socket import PacketSocket, own_addresses
from netaudit.observe.permitted import check_address
from netaudit.wire.ethernet import decode_ethernet, encode_ethernet
from netaudit.wire.icmp import ECHO_REPLY, decode_icmp, encode_echo_request
from netaudit.wire.ipv4 import ETHERTYPE, ICMP, Ipv4, decode_ipv4, encode_ipv4
from netaudit.wire.tcp import ACK, PROTOCOL, RST, SYN, decode_tcp, encode_syn

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from datetime import datetime
    from ipaddress import IPv4Address, IPv4Network

    from netaudit.observe.observation import Observation

# Firewalls count; a probe that looks like a scan would be treated as one. common practice, no source
PACE_HZ: Final = 20.0
TIMEOUT_S: Final = 1.0
TRIES: Final = 2
MOST_PROBES: Final = 64 * 9  # as many hosts as the plan may name, each with echo and eight ports
_EPHEMERAL: Final = 49152  # RFC 6335, 6: from here on ports are nobody's
_MARK_BYTES: Final = 8


@dataclass(frozen=True, slots=True)
class Target:
    """One host of the plan in another segment; `ref` is `recorder:attic`."""

    ref: str
    segment: str
    address: IPv4Address


@dataclass(frozen=True, slots=True)
class Reach:
    """
    What came back from one host.

    ways      by which it was reached: echo, tcp/443
    refused   ports from which a reset came, of the host or of the router
    """

    target: Target
    ways: tuple[str, ...]
    refused: tuple[int, ...]


@dataclass(slots=True)
class _Probe:
    """One question: to whom, by which way, and what has come of it."""

    target: Target
    port: int | None  # None is an echo
    source_port: int
    sequence: int
    outcome: str = ""

    @property
    def way(self) -> str:
        """Name the way."""
        return "echo" if self.port is None else f"tcp/{self.port}"


@dataclass(slots=True)
class _Round:
    """All probes of a round, by what an answer to them looks like."""

    identifier: int = field(default_factory=lambda: secrets.randbelow(1 << 16))
    mark: bytes = field(default_factory=lambda: secrets.token_bytes(_MARK_BYTES))
    probes: list[_Probe] = field(default_factory=list)

    def hear(self, packet: Ipv4, own: IPv4Address) -> None:
        """Take an answer to one of our probes; everything else is passed over."""
        if packet.target != own or packet.fragment_offset:
            return
        if packet.protocol == ICMP:
            message = decode_icmp(packet.payload)
            if message is None or message.kind != ECHO_REPLY or message.identifier != self.identifier:
                return
            if message.data[:_MARK_BYTES] == self.mark:
                for probe in self.probes:
                    if probe.port is None and probe.target.address == packet.source:
                        probe.outcome = "reached"
        elif packet.protocol == PROTOCOL:
            head = decode_tcp(packet.payload)
            if head is None:
                return
            for probe in self.probes:
                asked = (probe.target.address, probe.port, probe.source_port)
                expected = (probe.sequence + 1) & 0xFFFFFFFF
                if asked == (packet.source, head.source_port, head.target_port) and head.acknowledgement == expected:
                    if head.flags & (SYN | ACK | RST) == SYN | ACK:
                        probe.outcome = "reached"
                    elif head.flags & RST and not probe.outcome:
                        probe.outcome = "refused"


async def try_reach(
    interface: str,
    *,
    gateway_mac: bytes,
    network: IPv4Network,
    targets: Sequence[Target],
    ports: Sequence[int],
    networks: Sequence[IPv4Network],
    timeout_s: float = TIMEOUT_S,
) -> tuple[Reach, ...]:
    """
    Try each host by echo and at each port, the silent twice, at a pace that no firewall takes for a scan; end once all have answered.

    Args:      interface and its segment's network; gateway_mac: the router's there; networks: of the plan.
    Raises:    LookError: no right, no interface, no address of ours in the segment, or a target that is not ours.
               OutOfRange: too many hosts and ports, or the time.
    """
    if len(targets) * (len(ports) + 1) > MOST_PROBES or not 0 < timeout_s <= 60:
        raise OutOfRange(
            f"{len(targets)} hosts at {len(ports)} ports, {timeout_s:g} s of waiting: at most {MOST_PROBES} probes, "
            "and over 0 to 60 s"
        )
    for target in targets:
        check_address(target.address, networks)
    own = next((address for address in own_addresses(interface) if address in network), None)
    if own is None:
        raise LookError(f"interface {interface} has no address in {network}: answers could not come back")
    running = _Round()
    running.probes = [
        _Probe(target, port, _EPHEMERAL + secrets.randbelow(65536 - _EPHEMERAL), secrets.randbits(32))
        for target in targets
        for port in (None, *ports)
    ]
    loop = asyncio.get_running_loop()
    answered = asyncio.Event()
    with PacketSocket(interface, ETHERTYPE) as sock:

        def hear() -> None:
            for data, _ in sock.receive():
                frame = decode_ethernet(data)
                packet = decode_ipv4(frame.payload) if frame is not None and not frame.vlans else None
                if packet is not None:
                    running.hear(packet, own)
            if all(probe.outcome for probe in running.probes):
                answered.set()

        loop.add_reader(sock, hear)
        try:
            pace = Pace(PACE_HZ, now_s=loop.time())
            for _ in range(TRIES):
                for probe in running.probes:
                    if not probe.outcome:
                        await pace.turn()
                        sock.send(_frame(probe, running, sock.mac, gateway_mac, own))
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(timeout_s):
                        await answered.wait()
            hear()
        finally:
            loop.remove_reader(sock)
    return tuple(_reach(target, running.probes) for target in targets)


def _frame(probe: _Probe, running: _Round, mac: bytes, gateway_mac: bytes, own: IPv4Address) -> bytes:
    to = probe.target.address
    if probe.port is None:
        return encode_echo_request(
            mac, gateway_mac, own, to, identifier=running.identifier, sequence=0, data=running.mark
        )
    syn = encode_syn(own, to, probe.source_port, probe.port, sequence=probe.sequence)
    return encode_ethernet(gateway_mac, mac, ETHERTYPE, encode_ipv4(own, to, PROTOCOL, syn))


def _reach(target: Target, probes: Iterable[_Probe]) -> Reach:
    mine = [probe for probe in probes if probe.target == target]
    return Reach(
        target,
        ways=tuple(probe.way for probe in mine if probe.outcome == "reached"),
        refused=tuple(probe.port for probe in mine if probe.outcome == "refused" and probe.port is not None),
    )


def compare(
    segment: str, reaches: Iterable[Reach], may_reach: Collection[str], at: datetime
) -> tuple[Observation, ...]:
    """
    Put what was reached beside what the plan allows. Pure.

    Gives a notice for each host that was reached and must not be (`isolation_breach`) or may be and was not (`reach_missing`), and
    the number of breaches as a sample.
    """
    told: list[Observation] = []
    breaches = 0
    for one in reaches:
        allowed = one.target.segment in may_reach
        if one.ways and not allowed:
            breaches += 1
            detail = (("by", " ".join(one.ways)), ("segment", one.target.segment), ("target", one.target.ref))
            told.append(Notice(at, f"segment:{segment}", "isolation_breach", detail))
        elif allowed and not one.ways:
            answer = "refused" if one.refused else "silent"
            detail = (("answer", answer), ("segment", one.target.segment), ("target", one.target.ref))
            told.append(Notice(at, f"segment:{segment}", "reach_missing", detail))
    return (*told, Sample(at, f"segment:{segment}", "isolation_breaches", breaches))
