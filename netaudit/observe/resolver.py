"""Do names resolve: one question to one DNS server of the site, and how long its answer took."""

from __future__ import annotations

import asyncio
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntEnum
from functools import partial
from typing import TYPE_CHECKING

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Sample
from netaudit.observe.permitted import check_address
from netaudit.wire.dns import DnsMessage, decode_dns, encode_dns_query

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

PORT = 53
# RFC 1035, 4.1.1: the header's third octet; without this bit a resolver need not ask others.
_RECURSION_DESIRED = 0x01


class Asked(IntEnum):
    """Kinds of records that can be asked for (RFC 1035, 3.2.2; RFC 3596)."""

    A = 1
    PTR = 12
    AAAA = 28


@dataclass(frozen=True, slots=True)
class Resolution:
    """
    What a server said. `sample` has kind `dns_s`, value None when nothing came.

    `code` is the response code (RFC 1035, 4.1.1: 0 no error, 2 server failure, 3 no such name, 5 refused), None when
    nothing came. `addresses` are those of the asked kind, as text, in the order given; `names` those that a question
    for PTR gave.
    """

    sample: Sample
    code: int | None
    addresses: tuple[str, ...]
    names: tuple[str, ...] = ()


class _Question(asyncio.DatagramProtocol):
    """One question on its way; the socket is connected, so only the asked server's datagrams come in."""

    def __init__(self, name: str, kind: Asked, identity: int) -> None:
        self.name = name.removesuffix(".").lower()
        self.kind = kind
        self.identity = identity
        self.answer: asyncio.Future[tuple[DnsMessage, float]] = asyncio.get_running_loop().create_future()

    def datagram_received(self, data: bytes, _addr: object) -> None:
        """Take the answer to our question: same identity and same question (RFC 5452, 9.1)."""
        message = decode_dns(data)
        if message is None or not message.is_response or message.id != self.identity or self.answer.done():
            return
        if [(one.name.removesuffix(".").lower(), one.type) for one in message.questions] == [(self.name, self.kind)]:
            self.answer.set_result((message, asyncio.get_running_loop().time()))

    def error_received(self, exc: Exception) -> None:
        """Nobody listens there (an ICMP message said so): no need to wait."""
        if not self.answer.done():
            self.answer.set_exception(exc)


async def resolve(
    server: IPv4Address | IPv6Address,
    name: str,
    kind: Asked = Asked.A,
    *,
    place: str,
    networks: Sequence[IPv4Network | IPv6Network],
    timeout_s: float = 2.0,
    retries: int = 1,
    port: int = PORT,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Resolution:
    """
    Ask `server` over UDP for the records of `name` of one kind, again after `timeout_s` of silence.

    The time counts from the question that was answered, by this process's clock: a busy event loop adds to it.

    Args:      place: whom the sample is about; networks: of the plan, the server must be in one; now: aware UTC.
    Raises:    LookError: the server is not ours to ask. OutOfRange: a name that DNS can't carry, or too long a wait.
    """
    check_address(server, networks)
    if not 0 < timeout_s <= 60 or not 0 <= retries <= 5:
        raise OutOfRange(f"time-out {timeout_s:g} s and {retries} retries: write over 0 to 60, and 0 to 5")
    loop = asyncio.get_running_loop()
    at = now()
    for _ in range(retries + 1):
        identity = secrets.randbelow(1 << 16)
        query = encode_dns_query(name, kind, identity=identity)
        query = query[:2] + bytes([query[2] | _RECURSION_DESIRED]) + query[3:]
        try:
            transport, asked = await loop.create_datagram_endpoint(
                partial(_Question, name, kind, identity), remote_addr=(str(server), port)
            )
        except OSError as error:
            raise LookError(f"no way to {server}: {error.strerror or error}") from error
        try:
            sent_s = loop.time()
            transport.sendto(query)
            message, came_s = await asyncio.wait_for(asked.answer, timeout_s)
        except (TimeoutError, OSError):
            continue
        finally:
            transport.close()
        addresses = tuple(
            str(record.address) for record in message.records if record.type == kind and record.address is not None
        )
        names = tuple(
            record.target
            for record in message.records
            if record.type == kind == Asked.PTR and record.target is not None
        )
        return Resolution(Sample(at, place, "dns_s", came_s - sent_s), message.response_code, addresses, names)
    return Resolution(Sample(at, place, "dns_s", None), None, ())
