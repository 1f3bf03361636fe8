"""The time server's answer: read like an independent library reads it, checked like RFC 5905 says, and never believed blindly."""

from __future__ import annotations

import asyncio
import struct
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.ntp import NTPHeader

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.time_server import TimeAnswer, ask_time, decode_answer

if TYPE_CHECKING:
    from collections.abc import Callable

LOOPBACK = IPv4Address("127.0.0.1")
NETWORKS = [IPv4Network("127.0.0.0/8")]
COOKIE = 0x0123456789ABCDEF
# RFC 5905, figure 4: the era's last second is 2036-02-07 06:28:15 UTC.
ERA_ENDS_S = datetime(2036, 2, 7, 6, 28, 15, tzinfo=UTC).timestamp()


def stamp(at_s: float) -> int:
    """Give a 64-bit timestamp, 2^-32 s since 1900, of the era that it falls in."""
    return round((at_s + 2_208_988_800) * 2**32) % 2**64


def answer(
    received: int, transmitted: int, *, stratum: int = 2, leap: int = 0, origin: int = COOKIE, mode: int = 4
) -> bytes:
    """Write a server's answer."""
    return struct.pack(
        "!BBbbII4sQQQQ", leap << 6 | 4 << 3 | mode, stratum, 6, -20, 0, 0, b"LOCL", 0, origin, received, transmitted
    )


@given(
    st.floats(1e9, 3e9),
    st.floats(-1e6, 1e6),
    st.floats(0, 5),
    st.floats(0, 1),
    st.floats(0, 5),
)
def test_offset_and_delay_are_found_again(
    sent_s: float, offset_s: float, forth_s: float, held_s: float, back_s: float
) -> None:
    """RFC 5905, 8: theta is the true offset, off by half of how much the two ways differ; delta is both ways together."""
    received = sent_s + forth_s + offset_s
    came_s = sent_s + forth_s + held_s + back_s
    found = decode_answer(answer(stamp(received), stamp(received + held_s)), COOKIE, sent_s, came_s)
    assert isinstance(found, TimeAnswer)
    # A float holds seconds since 1970 to 2.4e-7 s.
    assert found.offset_s == pytest.approx(offset_s + (forth_s - back_s) / 2, abs=1e-5)
    assert found.delay_s == pytest.approx(forth_s + back_s, abs=1e-5)


@pytest.mark.parametrize("offset_s", [-3.0, 3.0])
def test_the_end_of_the_era_is_a_second_like_any_other(offset_s: float) -> None:
    """Our clock just before 2036-02-07 06:28:16 and the server's just behind, or the other way round: three seconds."""
    sent_s = ERA_ENDS_S - offset_s / 2
    at = stamp(sent_s + offset_s)
    found = decode_answer(answer(at, at), COOKIE, sent_s, sent_s)
    assert isinstance(found, TimeAnswer)
    assert found.offset_s == pytest.approx(offset_s, abs=1e-5)


def test_an_answer_that_an_independent_library_wrote_is_read() -> None:
    """Scapy's NTP header, with the server's clock two seconds ahead."""
    sent_s = 1_700_000_000.0
    header = NTPHeader(leap=0, version=4, mode=4, stratum=3, id="127.0.0.1")
    raw = bytearray(bytes(header))
    raw[24:48] = struct.pack("!QQQ", COOKIE, stamp(sent_s + 2), stamp(sent_s + 2))
    found = decode_answer(bytes(raw), COOKIE, sent_s, sent_s + 0.01)
    assert isinstance(found, TimeAnswer)
    assert (found.offset_s, found.delay_s) == pytest.approx((1.995, 0.01), abs=1e-5)
    assert found.stratum == 3
    read = NTPHeader(bytes(raw))
    assert (read.mode, read.stratum) == (4, 3)


REFUSED: list[tuple[str, bytes, str | None]] = [
    ("somebody else's question", answer(1, 1, origin=COOKIE ^ 1), None),
    ("a client's", answer(1, 1, mode=3), None),
    ("cut", answer(1, 1)[:47], None),
    ("a kiss of death", answer(1, 1, stratum=0), "refuses to answer (LOCL)"),
    ("not synchronised", answer(1, 1, leap=3), "has no time itself"),
    ("too far away", answer(1, 1, stratum=16), "has no time itself"),
    ("no time", answer(1, 0), "has no time itself"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_what_is_worth_nothing_gives_no_time(data: bytes, words: str | None) -> None:
    """Not an answer to our question: None; an answer without a time: why."""
    assert decode_answer(data, COOKIE, 1e9, 1e9) == words


@given(st.binary(max_size=100))
def test_noise_is_no_answer(data: bytes) -> None:
    """Whatever comes in, nothing is raised, and without our cookie nothing is believed."""
    assert decode_answer(data, COOKIE, 1e9, 1e9 + 1) is None or data[24:32] == COOKIE.to_bytes(8, "big")


class _Server(asyncio.DatagramProtocol):
    """A time server whose clock is off by a given time."""

    def __init__(self, make: Callable[[bytes], bytes | None]) -> None:
        self.make = make
        self.asked: list[bytes] = []

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override] # always one here
        """Keep the way back."""
        self.transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        """Answer."""
        self.asked.append(data)
        made = self.make(data)
        if made is not None:
            self.transport.sendto(made, addr)


async def ask(make: Callable[[bytes], bytes | None]) -> tuple[dict[str, float | None], list[bytes]]:
    """Ask a played server once."""
    loop = asyncio.get_running_loop()
    transport, server = await loop.create_datagram_endpoint(lambda: _Server(make), local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    try:
        told = await ask_time(
            LOOPBACK, place="service:time", networks=NETWORKS, timeout_s=0.3, port=port, clock=lambda: 1.7e9
        )
    finally:
        transport.close()
    return {sample.kind: sample.value for sample in told}, server.asked


async def test_a_played_server_is_asked_and_its_offset_told() -> None:
    """A clock that is 5 s ahead is told so; the question is a client's of version 4 that tells nobody our time."""
    told, asked = await ask(
        lambda data: answer(stamp(1.7e9 + 5), stamp(1.7e9 + 5), origin=int.from_bytes(data[40:], "big"))
    )
    assert told == {"ntp_s": pytest.approx(0.0), "ntp_offset_s": pytest.approx(5.0), "ntp_stratum": 2}
    question = NTPHeader(asked[0])
    assert (len(asked[0]), question.version, question.mode) == (48, 4, 3)
    assert abs((int.from_bytes(asked[0][40:], "big") >> 32) - 2_208_988_800 - 1.7e9) > 1000


async def test_silence_is_a_sample_without_a_value() -> None:
    """Asked and not answered."""
    assert (await ask(lambda _: None))[0] == {"ntp_s": None}


async def test_a_server_without_time_is_told() -> None:
    """A kiss of death is no silence."""
    with pytest.raises(LookError, match="refuses to answer"):
        await ask(lambda data: answer(1, 1, stratum=0, origin=int.from_bytes(data[40:], "big")))


async def test_only_the_plans_networks_are_asked() -> None:
    """A server outside of the plan and a time-out without sense are refused."""
    with pytest.raises(LookError):
        await ask_time(IPv4Address("192.0.2.1"), place="service:time", networks=NETWORKS)
    with pytest.raises(OutOfRange):
        await ask_time(LOOPBACK, place="service:time", networks=NETWORKS, timeout_s=0)
