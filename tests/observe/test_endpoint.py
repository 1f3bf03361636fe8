"""Metric endpoints: the library's own exposition is read, and whatever else a server does ends in one line, bounded."""

from __future__ import annotations

import asyncio
import ssl
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry, Counter, Gauge, generate_latest
from prometheus_client.openmetrics import exposition as openmetrics

from netaudit.errors import LookError
from netaudit.observe.endpoint import OPENMETRICS, Answer, EndpointLook, Wanted, fetch, growth, pick

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

NETWORKS = [IPv4Network("127.0.0.0/8")]
TEXT = "text/plain; version=0.0.4"


def registry(octets: float = 1000.0) -> CollectorRegistry:
    """Give an invented router's numbers."""
    made = CollectorRegistry()
    counter = Counter("box_octets", "Octets of a port", ["port", "way"], registry=made)
    counter.labels("wan", "in").inc(octets)
    counter.labels("wan", "out").inc(7)
    Gauge("box_octets_of_disk", "Another whose name begins alike", registry=made).set(5)
    Gauge("box_load", "Load", registry=made).set(0.25)
    return made


OPENMETRICS_BODY: bytes = openmetrics.generate_latest(registry())  # type: ignore[no-untyped-call]


@asynccontextmanager
async def served(answer: bytes, *, then_wait: bool = False) -> AsyncIterator[str]:
    """Serve these octets to whoever connects; gives the URL."""
    over = asyncio.Event()
    ended = asyncio.Event()

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await reader.readuntil(b"\r\n\r\n")
            writer.write(answer)
            if then_wait:
                await over.wait()
        finally:
            writer.close()
            ended.set()

    server = await asyncio.start_server(speak, "127.0.0.1", 0)
    async with server:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/metrics?x=1"
        over.set()
        await ended.wait()


def http(body: bytes, content_type: str = TEXT, status: str = "200 OK") -> bytes:
    """Write an answer."""
    head = f"HTTP/1.0 {status}\r\nContent-Type: {content_type}\r\nContent-Length: {len(body)}\r\n\r\n"
    return head.encode() + body


@pytest.mark.parametrize(
    ("body", "content_type"),
    [
        (generate_latest(registry()), TEXT),
        (OPENMETRICS_BODY, f"{OPENMETRICS}; version=1.0.0; charset=utf-8"),
    ],
    ids=["text", "openmetrics"],
)
async def test_the_librarys_own_exposition_is_read(body: bytes, content_type: str) -> None:
    """Both formats as the library writes them: one series by its labels, one without, none by half a name."""
    async with served(http(body, content_type)) as url:
        answer = await fetch(url, networks=NETWORKS)
    assert pick(answer, "box_octets_total", {"port": "wan", "way": "in"}) == 1000
    assert pick(answer, "box_load", {}) == 0.25
    with pytest.raises(LookError, match="several series"):
        pick(answer, "box_octets_total", {"port": "wan"})
    with pytest.raises(LookError, match="no series"):
        pick(answer, "box_octets_total", {"port": "lan"})
    with pytest.raises(LookError, match="no series"):
        pick(answer, "box_octets_of", {})


async def test_a_counter_becomes_a_rate_in_the_plans_unit() -> None:
    """1,000 octets more in ten seconds, times 8, are 800 bit/s; nothing the first time, nothing after a step back."""
    clock = 0.0
    wanted = Wanted("", "box_octets_total", "link:wan", "down_bps", labels={"way": "in"}, scale=8.0, per_second=True)
    look = EndpointLook(wanted, networks=NETWORKS, now=lambda: datetime.now(UTC), steady=lambda: clock)
    told = []
    for octets in (1000, 2000, 500, 600):
        async with served(http(generate_latest(registry(octets)))) as url:
            look.wanted = Wanted(
                url, "box_octets_total", "link:wan", "down_bps", labels={"way": "in"}, scale=8.0, per_second=True
            )
            told.append([(one.place, one.kind, one.value) for one in await look.look()])
        clock += 10
    assert told == [[], [("link:wan", "down_bps", 800.0)], [], [("link:wan", "down_bps", 80.0)]]


async def test_a_gauge_is_told_each_time() -> None:
    """A number that is no counter comes with the first look."""
    async with served(http(generate_latest(registry()))) as url:
        wanted = Wanted(url, "box_load", "router", "load_share")
        look = EndpointLook(wanted, networks=NETWORKS, now=lambda: datetime.now(UTC))
        assert [one.value for one in await look.look()] == [0.25]


BAD = [
    ("moved", http(b"", status="302 Found"), "sends us elsewhere"),
    ("not found", http(b"", status="404 Not Found"), "status 404"),
    ("no HTTP", b"SSH-2.0-x\r\n", "no HTTP"),
    ("nothing", b"", "no HTTP"),
    ("cut", http(generate_latest(registry()))[:-10], "ends after"),
    ("chunks", b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n", "in chunks"),
    ("too much", http(b"#" * 5000), "more than 1000 octets"),
    ("a head without end", b"HTTP/1.0 200 OK\r\n" + b"X: y\r\n" * 9000, "more than 1000 octets"),
]


@pytest.mark.parametrize(("answer", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
async def test_whatever_else_a_server_answers_is_one_line(answer: bytes, words: str) -> None:
    """Redirects, errors, other protocols, cut and endless answers."""
    async with served(answer) as url:
        with pytest.raises(LookError, match=words):
            await fetch(url, networks=NETWORKS, most_bytes=1000)


async def test_a_server_that_takes_for_ever_is_left() -> None:
    """The time is for the whole answer, not for each piece."""
    async with served(b"HTTP/1.0 200 OK\r\n", then_wait=True) as url:
        with pytest.raises(LookError, match="no whole answer"):
            await fetch(url, networks=NETWORKS, timeout_s=0.2)


@pytest.mark.parametrize("url", ["http://192.0.2.1/", "http://8.8.8.8/", "http://localhost/", "http://[::1]:99999/"])
async def test_only_addresses_of_the_plan_are_asked(url: str) -> None:
    """Another network, a public address, a name, a port that is none: refused before anything is sent."""
    with pytest.raises(LookError):
        await fetch(url, networks=NETWORKS)


@given(st.binary(max_size=300), st.sampled_from((TEXT, OPENMETRICS)))
def test_noise_is_no_number_and_no_crash(body: bytes, content_type: str) -> None:
    """A body of noise around a name that is wanted: a finite number or our error."""
    for text in (body, b"m " + body, b"m{" + body, b'm{a="' + body + b'"} 1'):
        try:
            value = pick(Answer(text, content_type), "m", {})
        except LookError:
            continue
        assert abs(value) < float("inf")


@given(st.floats(0, 1e18), st.floats(0, 1e18))
def test_growth_is_never_negative(before: float, now: float) -> None:
    """A counter that stepped back grew by nothing that is known."""
    grown = growth(before, now)
    assert grown == now - before if now >= before else grown is None


async def test_a_certificate_that_nobody_vouches_for_is_refused(tmp_path: Path) -> None:
    """HTTPS is verified: a server with a certificate of its own making is told, not believed."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "box.example")])
    begins = datetime(2020, 1, 1, tzinfo=UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=36_500))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(IPv4Address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = tmp_path / "pem"
    private = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    pem.write_bytes(made.public_bytes(Encoding.PEM) + private)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem)
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0, ssl=context)
    async with server:
        with pytest.raises(LookError, match="certificate"):
            await fetch(f"https://127.0.0.1:{server.sockets[0].getsockname()[1]}/", networks=NETWORKS)
