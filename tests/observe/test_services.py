"""Planned names, forth and back, against a played resolver."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network

from scapy.layers.dns import DNS, DNSRR

from netaudit.observe.observation import Health, Notice, Observation, Sample
from netaudit.observe.services import NamedDevice, ask_names

LOOPBACK = IPv4Address("127.0.0.1")
NETWORKS = [IPv4Network("127.0.0.0/8")]
DESK = NamedDevice("device:desk", "desk.home.arpa", IPv4Address("192.0.2.20"))
LEASED = NamedDevice("device:printer", "printer.home.arpa", None)


class Resolver(asyncio.DatagramProtocol):
    """A resolver with A and PTR records, played by scapy; names in `broken` fail, `silent` answers nothing."""

    def __init__(self, zone: dict[str, list[str]], *, broken: tuple[str, ...] = (), silent: bool = False) -> None:
        self.zone = zone
        self.broken = broken
        self.silent = silent
        self.asked: list[str] = []

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override] # always one here
        """Keep the way back."""
        self.transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        """Answer one question."""
        question = DNS(data)
        name = question.qd[0].qname.decode().rstrip(".")
        self.asked.append(name)
        if self.silent:
            return
        kind = "PTR" if question.qd[0].qtype == 12 else "A"
        records = [DNSRR(rrname=name, type=kind, ttl=60, rdata=value) for value in self.zone.get(name, [])]
        code = 2 if name in self.broken else 0 if name in self.zone else 3
        answer = DNS(id=question.id, qr=1, rd=1, ra=1, rcode=code, qd=question.qd, an=records)
        self.transport.sendto(bytes(answer), addr)


async def ask(
    resolver: Resolver, *devices: NamedDevice, others: tuple[str, ...] = ()
) -> tuple[dict[tuple[str, str], dict[str, str]], Health, list[Observation]]:
    """Ask a played resolver; gives notices by place and kind, and the health."""
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: resolver, local_addr=("127.0.0.1", 0))
    try:
        told = await ask_names(
            "names",
            LOOPBACK,
            devices,
            others,
            networks=NETWORKS,
            now=lambda: datetime.now(UTC),
            timeout_s=0.3,
            port=transport.get_extra_info("sockname")[1],
        )
    finally:
        transport.close()
    health = told[-1]
    assert isinstance(health, Health)
    notices = {(one.place, one.kind): dict(one.detail) for one in told if isinstance(one, Notice)}
    return notices, health, list(told)


async def test_names_that_are_right_are_told_forth_and_back() -> None:
    """Each device with its address, the fixed one back to its name; the planned address counts among several."""
    zone = {
        "desk.home.arpa": ["192.0.2.99", "192.0.2.20"],
        "20.2.0.192.in-addr.arpa": ["Desk.home.arpa."],
        "printer.home.arpa": ["192.0.2.31"],
        "host.example": ["203.0.113.5"],
    }
    notices, health, told = await ask(Resolver(zone), DESK, LEASED, others=("host.example",))
    assert notices == {
        ("device:desk", "resolved"): {"name": "desk.home.arpa", "address": "192.0.2.20"},
        ("device:desk", "resolved_back"): {"name": "desk.home.arpa", "address": "192.0.2.20"},
        ("device:printer", "resolved"): {"name": "printer.home.arpa", "address": "192.0.2.31"},
    }
    assert health.good
    times = [one.value for one in told if isinstance(one, Sample) and one.kind == "dns_s"]
    assert len(times) == 4
    assert None not in times


async def test_names_that_are_wrong_are_told_as_they_are() -> None:
    """Another address, no such name, another name back: the notice holds what was answered, and nobody calls that silence."""
    zone = {"desk.home.arpa": ["192.0.2.21"], "20.2.0.192.in-addr.arpa": ["kettle.home.arpa."]}
    notices, health, _ = await ask(Resolver(zone), DESK, LEASED)
    assert notices["device:desk", "resolved"]["address"] == "192.0.2.21"
    assert notices["device:desk", "resolved_back"]["name"] == "kettle.home.arpa"
    assert notices["device:printer", "resolved"]["address"] == ""
    assert health.good


async def test_a_resolver_that_fails_is_trouble() -> None:
    """Server failure (code 2) and a name of the plan that isn't there are reasons; the rest is asked all the same."""
    resolver = Resolver({}, broken=("desk.home.arpa",))
    _, health, _ = await ask(resolver, DESK, LEASED, others=("host.example",))
    assert not health.good
    assert "failed on desk.home.arpa with code 2" in health.reason
    assert "host.example does not resolve" in health.reason
    assert "printer.home.arpa" in resolver.asked


async def test_a_silent_resolver_is_one_trouble() -> None:
    """It is asked twice for the first name and then no more; no device is said to have no name."""
    resolver = Resolver({}, silent=True)
    notices, health, told = await ask(resolver, DESK, LEASED)
    assert not notices
    assert "gave no answer" in health.reason
    assert resolver.asked == ["desk.home.arpa"] * 2
    assert [one.value for one in told if isinstance(one, Sample)] == [None]


async def test_nothing_to_ask_is_no_trouble() -> None:
    """A plan without names asks nothing."""
    resolver = Resolver({})
    _, health, _ = await ask(resolver)
    assert health.good
    assert resolver.asked == []
