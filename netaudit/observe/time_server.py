"""What the site's time server says: one NTP question of 48 octets, the offset of our clock from its own and how far it is."""

from __future__ import annotations

import asyncio
import secrets
import struct
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Sample
from netaudit.observe.permitted import check_address

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

PORT: Final = 123
# RFC 5905, figure 8: leap, version and mode; stratum; poll; precision; root delay; root dispersion; reference; then the
# reference, origin, receive and transmit timestamps, 2^-32 s since 1900.
_PACKET: Final = struct.Struct("!BBbbII4sQQQQ")
_CLIENT: Final = 0 << 6 | 4 << 3 | 3
_SERVER_MODE: Final = 4
_UNSYNCHRONISED: Final = 3
_FARTHEST_STRATUM: Final = 15
_TO_1900_S: Final = 2_208_988_800  # from 1900 to 1970: RFC 5905, figure 4
_FRACTION: Final = 1 << 32
_ERA: Final = 1 << 64


@dataclass(frozen=True, slots=True)
class TimeAnswer:
    """
    What one question told.

    offset_s is the server's clock minus ours; delay_s the round trip without the server's own time; stratum 1 to 15.
    """

    offset_s: float
    delay_s: float
    stratum: int


def decode_answer(data: bytes, cookie: int, sent_s: float, came_s: float) -> TimeAnswer | str | None:
    """
    Read a server's answer: what it told, why it is worth nothing, or None when it is not an answer to our question.

    The cookie went out as our transmit timestamp and must come back as the origin (RFC 5905, 8); as it is random nobody off the
    path can make up an answer, and our own time is told to nobody. Times are differences modulo 2^32 s, so that the end
    of the first era in 2036 is a second like any other. Never raises.

    Args:      sent_s, came_s: by our clock [s since the epoch].
    """
    if len(data) < _PACKET.size:
        return None
    flags, stratum, _, _, _, _, reference, _, origin, received, transmitted = _PACKET.unpack_from(data)
    if flags & 7 != _SERVER_MODE or origin != cookie:
        return None
    if stratum == 0:
        # RFC 5905, 7.4: four letters in place of the reference say why.
        word = "".join(chr(octet) for octet in reference if 0x20 < octet < 0x7F)
        return f"refuses to answer ({word or 'no reason given'})"
    if flags >> 6 == _UNSYNCHRONISED or stratum > _FARTHEST_STRATUM or not transmitted:
        return "has no time itself"
    forth_s = _seconds_between(_timestamp(sent_s), received)
    back_s = _seconds_between(_timestamp(came_s), transmitted)
    delay_s = (came_s - sent_s) - _seconds_between(received, transmitted)
    return TimeAnswer((forth_s + back_s) / 2, max(0.0, delay_s), stratum)


def _timestamp(at_s: float) -> int:
    return round((at_s + _TO_1900_S) * _FRACTION) % _ERA


def _seconds_between(before: int, after: int) -> float:
    """Give after - before [s], the nearer way round."""
    return ((after - before + _ERA // 2) % _ERA - _ERA // 2) / _FRACTION


class _Question(asyncio.DatagramProtocol):
    """One question on its way."""

    def __init__(self, cookie: int, clock: Callable[[], float]) -> None:
        self.cookie = cookie
        self.clock = clock
        self.sent_s = 0.0
        self.answer: asyncio.Future[TimeAnswer | str] = asyncio.get_running_loop().create_future()

    def datagram_received(self, data: bytes, _addr: object) -> None:
        """Take the answer to our question, and no other."""
        found = decode_answer(data, self.cookie, self.sent_s, self.clock())
        if found is not None and not self.answer.done():
            self.answer.set_result(found)

    def error_received(self, exc: Exception) -> None:
        """Nobody listens there: no need to wait."""
        if not self.answer.done():
            self.answer.set_exception(exc)


async def ask_time(
    server: IPv4Address | IPv6Address,
    *,
    place: str,
    networks: Sequence[IPv4Network | IPv6Network],
    timeout_s: float = 2.0,
    port: int = PORT,
    clock: Callable[[], float] = time.time,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> tuple[Sample, ...]:
    """
    Ask once; gives `ntp_s` (None when nothing came), and with an answer `ntp_offset_s` and `ntp_stratum`.

    Raises:    LookError: the server is not ours to ask, or has no time to give. OutOfRange: the time-out.
    """
    check_address(server, networks)
    if not 0 < timeout_s <= 60:
        raise OutOfRange(f"time-out {timeout_s:g} s: write over 0 to 60")
    loop = asyncio.get_running_loop()
    at = now()
    cookie = secrets.randbits(64) | 1
    try:
        transport, asked = await loop.create_datagram_endpoint(
            lambda: _Question(cookie, clock), remote_addr=(str(server), port)
        )
    except OSError as error:
        raise LookError(f"no way to {server}: {error.strerror or error}") from error
    try:
        asked.sent_s = clock()
        transport.sendto(_PACKET.pack(_CLIENT, 0, 0, 0, 0, 0, bytes(4), 0, 0, 0, cookie))
        answer = await asyncio.wait_for(asked.answer, timeout_s)
    except (TimeoutError, OSError):
        return (Sample(at, place, "ntp_s", None),)
    finally:
        transport.close()
    if isinstance(answer, str):
        raise LookError(f"time server {server} {answer}")
    return (
        Sample(at, place, "ntp_s", answer.delay_s),
        Sample(at, place, "ntp_offset_s", answer.offset_s),
        Sample(at, place, "ntp_stratum", answer.stratum),
    )
