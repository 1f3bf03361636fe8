"""
How fast and how surely known devices answer: ICMP echo to thousands of targets over one socket.

Frames go through a packet socket to MACs that a sweep has learnt, so the kernel's neighbour table (1,024 entries) is never
touched, and a round trip ends with the kernel's stamp of the answer's arrival, however busy this process is at that moment.
"""

from __future__ import annotations

import asyncio
import math
import secrets
import struct
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Protocol, Self

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Sample
from netaudit.observe.pace import POLITE_HZ, SLOT_S, Pace
from netaudit.observe.packet_socket import HEAR_S, PacketSocket, echo_reply_filter, own_addresses, until_heard
from netaudit.observe.permitted import check_address
from netaudit.wire.checksum import internet_checksum
from netaudit.wire.icmp import ECHO_REPLY, encode_echo_request
from netaudit.wire.ipv4 import ETHERTYPE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from ipaddress import IPv4Address, IPv4Network

# 4,096 targets are a full /20; with ten probes each, what is kept of a round stays under some ten megabytes.
MOST_TARGETS = 4096
MOST_PROBES_EACH = 1000
# 56 octets of data make 64 with the ICMP header, which is what ping has always sent (common practice, no source).
DATA_BYTES = 56
# What is ours: a secret of this run, so that nobody off the path can make up answers, and the number of the probe.
_MARK = struct.Struct("!8sI")
# An answer up to our mark (RFC 792): type, code, checksum, identifier, sequence; of those only the type is looked at, since
# the checksum is over all of the message and the mark says more than the other two.
_ANSWER = struct.Struct("!B7x8sI")


@dataclass(frozen=True, slots=True)
class EchoTarget:
    """Whom to ask; `place` names the series (`device:02:00:00:00:00:01`, `segment:hall/gateway`), `mac` as text."""

    place: str
    address: IPv4Address
    mac: str


@dataclass(frozen=True, slots=True)
class EchoResult:
    """
    What a round of probes gave.

    `samples` in the order sent, kind `rtt_s`; value None is a lost probe (no answer within the time-out). A probe that the
    kernel had no room for is no sample but counts as `unsent`. `late` answers came after the time-out, `duplicates`
    after a first answer (as long as the round lasted). `drops` are frames that the kernel could not hand over: if that is
    not 0, some loss may be ours.
    """

    samples: tuple[Sample, ...]
    unsent: int
    late: int
    duplicates: int
    drops: int
    elapsed_s: float


# Where everything is in a frame that carries an ICMP echo in IPv4 without options (RFC 791, RFC 792).
_TARGET_MAC = slice(0, 6)
_IP, _IP_CHECKSUM, _SENDER_IP, _TARGET_IP = slice(14, 34), slice(24, 26), slice(26, 30), slice(30, 34)
_ICMP, _ICMP_CHECKSUM, _SEQUENCE, _DATA = slice(34, None), slice(36, 38), slice(40, 42), slice(42, None)
# Version and header length, service, total length; a length of 0 is "the whole frame" (see `wire.ipv4`).
_LENGTHS = struct.Struct("!BxH")


class _Way(Protocol):
    """Where probes go and answers come from: what comes back is (packed sender, ICMP message, arrival [ns])."""

    def fileno(self) -> int: ...
    def message(self, target: EchoTarget, number: int, data: bytes) -> bytes | bytearray: ...
    def send(self, message: bytes | bytearray) -> bool: ...
    def receive(self) -> Iterator[tuple[bytes, bytes, int]]: ...
    def drops(self) -> int: ...


class _PacketWay:
    """Whole frames to known MACs."""

    def __init__(self, sock: PacketSocket, source: IPv4Address, identifier: int) -> None:
        self.sock = sock
        # All frames are the same but for the parts that `message` writes anew.
        self._frame = bytearray(
            encode_echo_request(
                sock.mac, bytes(6), source, source, identifier=identifier, sequence=0, data=bytes(DATA_BYTES)
            )
        )

    @classmethod
    def to(cls, interface: str, source: IPv4Address) -> Self:
        """Open a socket of our own."""
        identifier = secrets.randbelow(1 << 16)
        return cls(PacketSocket(interface, ETHERTYPE, accept=echo_reply_filter(identifier)), source, identifier)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.sock.close()

    def fileno(self) -> int:
        return self.sock.fileno()

    def message(self, target: EchoTarget, number: int, data: bytes) -> bytearray:
        """Give the frame; it is the same one each time, with other contents."""
        frame = self._frame
        frame[_TARGET_MAC] = bytes.fromhex(target.mac.replace(":", ""))
        frame[_TARGET_IP] = target.address.packed
        frame[_IP_CHECKSUM] = frame[_ICMP_CHECKSUM] = bytes(2)
        frame[_IP_CHECKSUM] = internet_checksum(frame[_IP]).to_bytes(2, "big")
        frame[_SEQUENCE] = (number & 0xFFFF).to_bytes(2, "big")
        frame[_DATA] = data
        frame[_ICMP_CHECKSUM] = internet_checksum(frame[_ICMP]).to_bytes(2, "big")
        return frame

    def send(self, message: bytes | bytearray) -> bool:
        return self.sock.send(message)

    def receive(self) -> Iterator[tuple[bytes, bytes, int]]:
        # The filter let through nothing but first fragments of ICMP in IPv4, so that little is left to be read.
        for frame, stamp_ns in self.sock.receive():
            if len(frame) < _ICMP.start:
                continue
            first, total = _LENGTHS.unpack_from(frame, _IP.start)
            yield frame[_SENDER_IP], frame[_IP.start + 4 * (first & 0x0F) : _IP.start + (total or len(frame))], stamp_ns

    def drops(self) -> int:
        return self.sock.drops()


@dataclass(slots=True)
class _Probe:
    """One probe that was sent; `rtt_ns` None until answered in time."""

    target: EchoTarget
    at_ns: int
    rtt_ns: int | None = None


class _Round:
    """One round of probes while it runs."""

    def __init__(self, way: _Way, timeout_s: float, now_ns: Callable[[], int]) -> None:
        self.way = way
        self.timeout_ns = round(timeout_s * 1e9)
        self.now_ns = now_ns
        self.secret = secrets.token_bytes(8)
        self.probes: list[_Probe] = []
        self.open = self.unsent = self.late = self.duplicates = 0

    def send(self, target: EchoTarget) -> None:
        """Send one probe, with the time as late as can be before it goes."""
        number = len(self.probes)
        data = _MARK.pack(self.secret, number).ljust(DATA_BYTES, b"\0")
        message = self.way.message(target, number, data)
        at_ns = self.now_ns()
        if not self.way.send(message):
            self.unsent += 1
            return
        self.probes.append(_Probe(target, at_ns))
        self.open += 1

    def hear(self) -> None:
        """Match answers with probes by our mark, and by who answered."""
        for sender, message, stamp_ns in self.way.receive():
            if len(message) < _ANSWER.size:
                continue
            kind, secret, number = _ANSWER.unpack_from(message)
            if kind != ECHO_REPLY or secret != self.secret or number >= len(self.probes):
                continue
            if internet_checksum(message):
                continue
            probe = self.probes[number]
            rtt_ns = stamp_ns - probe.at_ns
            # Under 0 the clock was set back in between: then the time is worthless, and the probe counts as lost.
            if sender != probe.target.address.packed or rtt_ns < 0:
                continue
            if rtt_ns > self.timeout_ns:
                self.late += 1
            elif probe.rtt_ns is not None:
                self.duplicates += 1
            else:
                probe.rtt_ns = rtt_ns
                self.open -= 1


async def echo(
    interface: str,
    targets: Sequence[EchoTarget],
    *,
    networks: Sequence[IPv4Network],
    count: int = 5,
    gap_s: float = 0.2,
    interval_s: float = 60.0,
    timeout_s: float = 1.0,
    pace_hz: float = POLITE_HZ,
    pace: Pace | None = None,
    source: IPv4Address | None = None,
    now_ns: Callable[[], int] = time.time_ns,
) -> EchoResult:
    """
    Send each target a burst of `count` probes, `gap_s` apart; the bursts begin evenly spread over `interval_s`.

    It ends `timeout_s` after the last probe, or when all are answered. A round trip starts with `now_ns` just before
    the frame is handed to the kernel and ends with the kernel's receive stamp: it includes some microseconds of sending.

    Args:      networks: of the plan; targets outside are refused; count 1 to 1,000; gap_s, interval_s, timeout_s [s];
               pace_hz: bound on all probes together [frames/s]; pace: shared with other looks, None makes one of pace_hz;
               source: our address, None takes the interface's own in the targets' networks.
    Raises:    LookError: no right, no such interface, it went down, or a target that isn't ours to look at.
               OutOfRange: more probes than the pace allows in the interval, or too many targets.
    """
    _check(targets, networks, count=count, gap_s=gap_s, interval_s=interval_s, timeout_s=timeout_s)
    # In any stretch as long as the interval a burst has all its probes, or as many as the gaps between them let in.
    within = count if gap_s == 0 else min(count, math.floor(interval_s / gap_s) + 1)
    # A billionth more is rounding: 11 / (11 / 60) is not 60.
    if len(targets) * within / interval_s > pace_hz * (1 + 1e-9):
        needed_s = len(targets) * count / pace_hz
        raise OutOfRange(
            f"{len(targets)} targets x {count} probes in {interval_s:g} s are more than {pace_hz:g} frames/s: "
            f"take {needed_s:.1f} s or longer"
        )
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    pace = pace or Pace(pace_hz, now_s=began_s)
    with _PacketWay.to(interface, _source(interface, source, networks)) as way:
        running = _Round(way, timeout_s, now_ns)
        await _send_all(running, targets, pace, count=count, gap_s=gap_s, interval_s=interval_s)
        await _hear_rest(running, timeout_s)
        drops = way.drops()
    samples = tuple(
        Sample(
            datetime.fromtimestamp(probe.at_ns / 1e9, UTC),
            probe.target.place,
            "rtt_s",
            None if probe.rtt_ns is None else probe.rtt_ns / 1e9,
        )
        for probe in running.probes
    )
    return EchoResult(samples, running.unsent, running.late, running.duplicates, drops, loop.time() - began_s)


def _check(
    targets: Sequence[EchoTarget],
    networks: Sequence[IPv4Network],
    *,
    count: int,
    gap_s: float,
    interval_s: float,
    timeout_s: float,
) -> None:
    if len(targets) > MOST_TARGETS:
        raise OutOfRange(f"{len(targets)} echo targets: at most {MOST_TARGETS} in one round")
    if (
        not 1 <= count <= MOST_PROBES_EACH
        or not 0 <= gap_s <= 60
        or not 0 < interval_s <= 86400
        or not 0 < timeout_s <= 60
    ):
        raise OutOfRange(
            f"{count} probes {gap_s:g} s apart, interval {interval_s:g} s, time-out {timeout_s:g} s: "
            f"write 1 to {MOST_PROBES_EACH}, 0 to 60, over 0 to 86400, over 0 to 60"
        )
    for target in targets:
        check_address(target.address, networks)


def _source(interface: str, source: IPv4Address | None, networks: Sequence[IPv4Network]) -> IPv4Address:
    if source is not None:
        check_address(source, networks)
        return source
    for address in own_addresses(interface):
        if any(address in network for network in networks):
            return address
    listed = ", ".join(map(str, networks))
    raise LookError(f"interface {interface} has no address in {listed}: answers could not come back")


async def _send_all(
    running: _Round, targets: Sequence[EchoTarget], pace: Pace, *, count: int, gap_s: float, interval_s: float
) -> None:
    """Send every probe at its time: the bursts' beginnings are spread evenly, the k-th probe follows k gaps later."""
    loop = asyncio.get_running_loop()
    spacing_s = interval_s / max(1, len(targets))
    due = sorted((place * spacing_s + k * gap_s, place) for place in range(len(targets)) for k in range(count))
    start_s = loop.time()
    for due_s, place in due:
        while (wait_s := start_s + due_s - loop.time()) > 0 or (wait_s := pace.take(loop.time())) > 0:
            # Who waits at all waits for a slot, and answers carry the kernel's stamps: no need to wake for each.
            await asyncio.sleep(min(max(wait_s, SLOT_S), HEAR_S))
            running.hear()
        running.send(targets[place])


async def _hear_rest(running: _Round, timeout_s: float) -> None:
    """Wait for the answers that are still to come."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + timeout_s
    running.hear()
    while running.open and (left_s := until_s - loop.time()) > 0:
        await until_heard(running.way, left_s)
        running.hear()
    running.hear()
