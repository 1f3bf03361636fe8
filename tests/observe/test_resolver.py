"""DNS questions: the answer of a played server, and no answer, are told apart and timed."""

from __future__ import annotations

import asyncio
import socket
import threading
from ipaddress import IPv4Address, IPv4Network, IPv6Address
from typing import TYPE_CHECKING

import pytest
from scapy.layers.dns import DNS, DNSQR, DNSRR

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.resolver import Asked, Resolution, resolve
from tests.lab.host import Host

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/24")
SERVER = IPv4Address("192.0.2.53")
LOOPBACK = IPv4Address("127.0.0.1")
HOST = Host(mac="02:00:00:00:00:53", address=str(SERVER), zone=(("printer.home.arpa", "192.0.2.9"),))


def test_a_name_resolves_and_the_time_is_the_server_s(lab: Lab) -> None:
    """A played server with 20 ms of delay: its address, code 0, and a time of 20 ms or little more."""
    lab.segment([HOST.but(delay_s=0.02)], own=["192.0.2.1/24"])
    # The first question also finds the server's MAC.
    lab.call(resolve, SERVER, "printer.home.arpa", place="service:dns", networks=[NET])
    found = lab.call(resolve, SERVER, "Printer.home.arpa", place="service:dns", networks=[NET])
    assert (found.code, found.addresses) == (0, ("192.0.2.9",))
    assert (found.sample.kind, found.sample.place) == ("dns_s", "service:dns")
    assert found.sample.value is not None
    assert 0.02 <= found.sample.value < 1


def test_a_name_that_is_not_there_is_an_answer(lab: Lab) -> None:
    """NXDOMAIN (RFC 1035, 4.1.1: 3) comes with a time and no address; so does a name without such a record."""
    lab.segment([HOST], own=["192.0.2.1/24"])
    absent = lab.call(resolve, SERVER, "nobody.home.arpa", place="service:dns", networks=[NET])
    assert (absent.code, absent.addresses) == (3, ())
    assert absent.sample.value is not None
    empty = lab.call(resolve, SERVER, "printer.home.arpa", Asked.AAAA, place="service:dns", networks=[NET])
    assert (empty.code, empty.addresses) == (0, ())


def test_silence_is_no_answer_and_is_asked_again(lab: Lab) -> None:
    """A server that keeps silent is asked retries + 1 times; the sample says not answered."""
    segment = lab.segment([HOST.but(silent=("dns",))], own=["192.0.2.1/24"])
    found = lab.call(
        resolve, SERVER, "printer.home.arpa", place="service:dns", networks=[NET], timeout_s=0.2, retries=2
    )
    assert (found.code, found.addresses, found.sample.value) == (None, (), None)
    assert segment.counts().asked["dns"] == 3


@pytest.fixture
def server() -> Iterator[Callable[[Callable[[DNS], list[bytes]]], int]]:
    """Give a way to start a server on loopback that answers each question with the bytes a function makes of it."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    threads = []

    def start(answer: Callable[[DNS], list[bytes]]) -> int:
        def serve() -> None:
            while True:
                question, sender = sock.recvfrom(2048)
                if not question:
                    return
                for reply in answer(DNS(question)):
                    sock.sendto(reply, sender)

        threads.append(threading.Thread(target=serve, daemon=True))
        threads[-1].start()
        port: int = sock.getsockname()[1]
        return port

    yield start
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as last:
        last.sendto(b"", sock.getsockname())
    for thread in threads:
        thread.join(5)
    sock.close()


def _answer(question: DNS, **changes: object) -> bytes:
    """Write an answer with an independent library."""
    name = question.qd[0].qname
    fields = {"id": question.id, "qr": 1, "qd": question.qd, "an": DNSRR(rrname=name, rdata="192.0.2.9"), **changes}
    return bytes(DNS(**fields))


def _ask(port: int, **kwargs: float) -> Resolution:
    return asyncio.run(
        resolve(LOOPBACK, "a.home.arpa", place="x", networks=[IPv4Network("127.0.0.0/8")], port=port, **kwargs)  # type: ignore[arg-type]
    )


def test_questions_are_what_an_independent_library_reads(server: Callable[[Callable[[DNS], list[bytes]]], int]) -> None:
    """One question of class IN, recursion desired."""
    seen: list[DNS] = []

    def note(question: DNS) -> list[bytes]:
        seen.append(question)
        return [_answer(question)]

    assert _ask(server(note)).addresses == ("192.0.2.9",)
    (question,) = seen
    assert (question.qr, question.rd, question.opcode, len(question.qd)) == (0, 1, 0, 1)
    assert (question.qd[0].qname, question.qd[0].qtype, question.qd[0].qclass) == (b"a.home.arpa.", 1, 1)


def test_answers_to_other_questions_are_not_believed(server: Callable[[Callable[[DNS], list[bytes]]], int]) -> None:
    """Wrong identity, another question, a question itself, noise: passed over; the right one after them counts."""

    def attack(question: DNS) -> list[bytes]:
        return [
            _answer(question, id=question.id ^ 1),
            _answer(question, qd=DNSQR(qname="b.home.arpa")),
            _answer(question, qd=DNSQR(qname="a.home.arpa", qtype=28)),
            _answer(question, qr=0),
            b"",
            b"\0" * 5,
            b"\xff" * 100,
            _answer(question, an=DNSRR(rrname="a.home.arpa", rdata="192.0.2.7")),
        ]

    assert _ask(server(attack)).addresses == ("192.0.2.7",)


def test_a_closed_port_is_no_answer_and_costs_no_waiting() -> None:
    """An ICMP refusal ends the wait: ten seconds of time-out are not used up."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]

    async def within() -> Resolution:
        async with asyncio.timeout(5):
            return await resolve(
                LOOPBACK, "a.home.arpa", place="x", networks=[IPv4Network("127.0.0.0/8")], port=port, timeout_s=10.0
            )

    assert asyncio.run(within()).sample.value is None


async def test_servers_outside_of_the_plan_and_bad_names_are_refused() -> None:
    """No question goes to a public resolver or to anyone that the plan doesn't name; no broken question goes out."""
    for stranger in (IPv4Address("8.8.8.8"), IPv4Address("192.0.3.1"), IPv6Address("2001:db8::53")):
        with pytest.raises(LookError, match="outside of the networks"):
            await resolve(stranger, "a.home.arpa", place="x", networks=[NET])
    with pytest.raises(OutOfRange, match="label"):
        await resolve(LOOPBACK, "a" * 64 + ".arpa", place="x", networks=[IPv4Network("127.0.0.0/8")])
    with pytest.raises(OutOfRange, match="retries"):
        await resolve(LOOPBACK, "a", place="x", networks=[IPv4Network("127.0.0.0/8")], retries=50)
