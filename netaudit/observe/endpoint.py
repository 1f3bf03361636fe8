"""
One number of a metric endpoint: fetched, bounded in size and time, and read by the library of the format itself.

Only addresses inside the plan's networks or this machine's loopback are asked; a redirect is refused, because it would lead
to where the plan doesn't. HTTP/1.0 is spoken on purpose: the answer ends with the connection and is never in chunks.
"""

from __future__ import annotations

import asyncio
import math
import ssl
import time
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_text

from netaudit.errors import LookError
from netaudit.observe.observation import Sample
from netaudit.observe.permitted import check_address

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime
    from ipaddress import IPv4Network, IPv6Network

# A router's endpoint has some hundred kilobytes; two megabytes are kept at most while one number is looked for.
MOST_BYTES: Final = 2 << 20
TIMEOUT_S: Final = 10.0
# RFC 9110 sets no bound on a response's head; servers and clients commonly take 8 to 16 KiB. common practice, no source
MOST_HEAD_BYTES: Final = 16 << 10
OPENMETRICS: Final = "application/openmetrics-text"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which number: the URL, the series with the labels that it must have, and what becomes of it."""

    url: str
    metric: str
    place: str
    kind: str
    labels: Mapping[str, str] = field(default_factory=dict)
    scale: float = 1.0
    per_second: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """The body of an answer with status 200, and its content type."""

    body: bytes
    content_type: str


async def fetch(
    url: str,
    *,
    networks: Sequence[IPv4Network | IPv6Network],
    timeout_s: float = TIMEOUT_S,
    most_bytes: int = MOST_BYTES,
) -> Answer:
    """
    Get a URL whose host is an address of the plan.

    Raises:    LookError: the host is not ours to ask, no answer in time, too much of it, or any status but 200.
    """
    parts = urlsplit(url)
    try:
        address = ip_address(parts.hostname or "")
        port = parts.port or (443 if parts.scheme == "https" else 80)
    except ValueError:
        raise LookError(f"{url}: write an address in place of the host's name") from None
    check_address(address, networks)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    host = f"[{address}]" if address.version == 6 else str(address)
    request = (
        f"GET {path} HTTP/1.0\r\nHost: {host}:{port}\r\nAccept: {OPENMETRICS};version=1.0.0,text/plain;q=0.5\r\n"
        "User-Agent: netaudit\r\n\r\n"
    )
    try:
        async with asyncio.timeout(timeout_s):
            data = await _exchange(str(address), port, parts.scheme == "https", request.encode("latin-1"), most_bytes)
    except TimeoutError:
        raise LookError(f"{url} gave no whole answer within {timeout_s:g} s") from None
    except (OSError, UnicodeError) as error:
        raise LookError(f"{url}: {getattr(error, 'strerror', None) or error}") from error
    answer = _answer(url, data) if data is not None else None
    if answer is None or len(answer.body) > most_bytes:
        raise LookError(f"{url} answers with more than {most_bytes} octets")
    return answer


async def _exchange(host: str, port: int, tls: bool, request: bytes, most_bytes: int) -> bytes | None:  # noqa: FBT001
    """Send a request and read to the end; None when the end doesn't come in time for the bound."""
    reader, writer = await asyncio.open_connection(host, port, ssl=ssl.create_default_context() if tls else None)
    try:
        writer.write(request)
        await writer.drain()
        data = bytearray()
        while chunk := await reader.read(1 << 16):
            data += chunk
            if len(data) > most_bytes + MOST_HEAD_BYTES:
                return None
        return bytes(data)
    finally:
        writer.transport.abort()


def _answer(url: str, data: bytes) -> Answer:
    head, gap, body = data.partition(b"\r\n\r\n")
    lines = head[:MOST_HEAD_BYTES].decode("latin-1").split("\r\n")
    status = lines[0].split(" ")
    if not gap or not lines[0].startswith("HTTP/1.") or len(status) < 2 or not status[1].isdigit():
        raise LookError(f"{url} answers what is no HTTP")
    if status[1] != "200":
        what = "sends us elsewhere, where we don't follow" if status[1].startswith("3") else "answers"
        raise LookError(f"{url} {what} (status {status[1][:3]})")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines[1:])}
    if "chunked" in headers.get("transfer-encoding", "").lower():
        raise LookError(f"{url} answers in chunks, which HTTP/1.0 doesn't have")
    length = headers.get("content-length", "")
    if length.isdigit() and len(body) < int(length):
        raise LookError(f"{url} ends after {len(body)} of {length} octets")
    return Answer(body, headers.get("content-type", ""))


def pick(answer: Answer, metric: str, labels: Mapping[str, str]) -> float:
    """
    Give the value of the one series with this name and these labels.

    Raises:    LookError: none or several match, its value is no number, or the text can't be read.
    """
    text = answer.body.decode("utf-8", "replace")
    openmetrics = answer.content_type.partition(";")[0].strip().lower() == OPENMETRICS
    # Only the lines of this series are read: an endpoint may have ten thousand others.
    lines = [
        line for line in text.split("\n") if line.startswith(metric) and line[len(metric) : len(metric) + 1] in "{ \t"
    ]
    found: list[float] = []
    try:
        read = read_openmetrics if openmetrics else read_text
        for family in read("\n".join([*lines, "# EOF\n" if openmetrics else ""])):
            found += [
                one.value
                for one in family.samples
                if one.name == metric and all(one.labels.get(name) == value for name, value in labels.items())
            ]
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise LookError(f"the lines of {metric} can't be read: {error}") from error
    if len(found) != 1:
        what = "several series" if found else "no series"
        raise LookError(f"{what} {metric} with these labels; write labels that only one has")
    if not math.isfinite(found[0]):
        raise LookError(f"{metric} is no number now ({found[0]})")
    return found[0]


class EndpointLook:
    """The looks at one number; remembers the one before, where its growth is what counts."""

    def __init__(
        self,
        wanted: Wanted,
        *,
        networks: Sequence[IPv4Network | IPv6Network],
        now: Callable[[], datetime],
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self.wanted = wanted
        self._networks = networks
        self._now = now
        self._steady = steady
        self._before: tuple[float, float] | None = None

    async def look(self) -> tuple[Sample, ...]:
        """
        Fetch the number once; of a counter nothing comes the first time and after it stepped back.

        Raises:    LookError: as `fetch` and `pick`.
        """
        wanted = self.wanted
        answer = await fetch(wanted.url, networks=self._networks)
        at, at_s = self._now(), self._steady()
        value = pick(answer, wanted.metric, wanted.labels)
        if wanted.per_second:
            before, self._before = self._before, (at_s, value)
            grown = None if before is None else growth(before[1], value)
            if before is None or grown is None or at_s <= before[0]:
                return ()
            value = grown / (at_s - before[0])
        return (Sample(at, wanted.place, wanted.kind, value * wanted.scale),)


def growth(before: float, now: float) -> float | None:
    """Give what a counter grew by; None when it stepped back: then it began anew, as these counters don't go round."""
    return now - before if now >= before else None
