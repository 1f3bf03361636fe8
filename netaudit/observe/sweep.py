"""
Who is on this segment now: every address of an IPv4 network is asked by ARP, at a polite pace, again only if silent.

ARP is answered by every device that speaks IPv4, also by those that drop ping. A host that loses each frame with
probability p is missed with p to the power (retries + 1): with the default of 2 retries once in 8,000 at 5 % loss.
"""

from __future__ import annotations

import asyncio
import struct
import time
from collections import deque
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import How, Notice, Sample, Sighting
from netaudit.observe.pace import POLITE_HZ, Pace
from netaudit.observe.packet_socket import HEAR_S, PacketSocket, own_addresses, until_heard
from netaudit.observe.permitted import check_network
from netaudit.wire.arp import ETHERTYPE, REPLY, encode_arp_request
from netaudit.wire.ethernet import mac_text

if TYPE_CHECKING:
    from collections.abc import Callable

# 65,534 addresses take five and a half minutes at the polite pace; a larger segment is a slip in the prefix length.
LARGEST_PREFIX = 16
NOBODY = IPv4Address(0)
# Only addresses of the network are kept, each with this many MACs: a flood of made-up answers can't fill the memory, and
# four rivals for one address are enough to tell the story.
MOST_RIVALS = 4
# Where everything is in a frame of IPv4 over Ethernet (RFC 826), as the kernel hands it over: a first VLAN tag is off.
_ARP_FRAME = struct.Struct("!12x8sH6sI6s")
_IPV4_OVER_ETHERNET = struct.pack("!HHHBB", ETHERTYPE, 1, 0x0800, 6, 4)
_TARGET_AT = 38


@dataclass(frozen=True, slots=True)
class SweepResult:
    """
    What a sweep saw.

    `sightings` by address: who answered, and who was heard asking meanwhile. `samples` (kind `arp_rtt_s`) only for answers
    to a first probe, since of a later answer nobody knows which probe it belongs to. `notices`: addresses that two MACs
    claim. `silent` addresses gave no sign. `unsent` probes found no room in the kernel; `drops` are frames that it could
    not hand over: if either is not 0, silence is no proof of absence.
    """

    sightings: tuple[Sighting, ...]
    samples: tuple[Sample, ...]
    notices: tuple[Notice, ...]
    silent: int
    frames_sent: int
    unsent: int
    drops: int
    elapsed_s: float


@dataclass(slots=True)
class _Claim:
    """What is known of one address."""

    macs: dict[bytes, int]  # in order of appearance -> when [ns since the epoch]
    rtt_s: float | None = None
    rtt_mac: bytes = b""


class _Sweep:
    """One sweep while it runs."""

    def __init__(
        self,
        sock: PacketSocket,
        network: IPv4Network,
        source: IPv4Address,
        own: set[IPv4Address],
        now_ns: Callable[[], int],
    ) -> None:
        self.sock = sock
        self.network = network
        self.source = source
        self.now_ns = now_ns
        # We claim our own addresses too: whoever else does shows up as a rival.
        self.own = frozenset(map(int, own))
        self.claims = {address: _Claim({sock.mac: now_ns()}) for address in self.own}
        self.wanted = [address for address in map(int, network.hosts()) if address not in self.own]
        self.silent = set(self.wanted)
        self.sent: dict[int, tuple[int, int]] = {}  # address -> number of probes, last one [ns]
        self.frames_sent = self.unsent = 0
        self.slowest_s = 0.0
        self._first, self._last = int(network.network_address), int(network.broadcast_address)
        # All questions are the same but for the address that is asked for.
        self._question = bytearray(encode_arp_request(sock.mac, source, NOBODY))

    def probe(self, address: int) -> None:
        """Ask once for an address, with the time as late as can be before the frame goes."""
        self._question[_TARGET_AT : _TARGET_AT + 4] = address.to_bytes(4, "big")
        times = self.sent.get(address, (0, 0))[0]
        at_ns = self.now_ns()
        if not self.sock.send(self._question):
            self.unsent += 1
            return
        self.sent[address] = (times + 1, at_ns)
        self.frames_sent += 1

    def hear(self) -> None:
        """Read what has come in: answers to us, and what others say about themselves."""
        for frame, stamp_ns in self.sock.receive():
            if len(frame) < _TARGET_AT + 4:
                continue
            kind, operation, sender_mac, sender, target_mac = _ARP_FRAME.unpack_from(frame)
            if kind != _IPV4_OVER_ETHERNET or not self._first <= sender <= self._last:
                continue
            # A group address can't be anyone's own (IEEE 802, 8.2.2): a broken or hostile sender.
            if sender_mac[0] & 1 or sender_mac == self.sock.mac:
                continue
            claim = self.claims.get(sender)
            if claim is None:
                claim = self.claims[sender] = _Claim({})
                self.silent.discard(sender)
            if sender_mac not in claim.macs and len(claim.macs) < MOST_RIVALS:
                claim.macs[sender_mac] = stamp_ns
            times, at_ns = self.sent.get(sender, (0, 0))
            answers_us = operation == REPLY and target_mac == self.sock.mac
            if answers_us and times == 1 and claim.rtt_s is None and stamp_ns >= at_ns:
                claim.rtt_s, claim.rtt_mac = (stamp_ns - at_ns) / 1e9, sender_mac
                self.slowest_s = max(self.slowest_s, claim.rtt_s)


async def sweep(
    interface: str,
    network: IPv4Network,
    *,
    segment: str,
    source: IPv4Address | None = None,
    pace_hz: float = POLITE_HZ,
    pace: Pace | None = None,
    retries: int = 2,
    timeout_s: float = 0.5,
    now_ns: Callable[[], int] = time.time_ns,
) -> SweepResult:
    """
    Ask every address of `network` by ARP on `interface`, and listen until `timeout_s` after the last question.

    It takes (frames / pace_hz) + timeout_s, rounded up by the waits between retries in a small network. If nobody is
    silent it ends sooner: a rival for an address then has twice the slowest round trip to show up. The default pace
    of 200 frames/s takes 14 % of the airtime of a 2.4 GHz radio that sends broadcasts at 1 Mb/s, 2.4 % at 6 Mb/s (see
    `pace`); 0.5 s lets a dozing station wake for the third beacon (3 x 102.4 ms) and answer.

    Args:      segment: its name in the plan, for the sightings; source: our address in the questions; None takes the
               interface's own address within the network, and if it has none asks as RFC 5227 probes do (from 0.0.0.0),
               which no neighbour stores; pace_hz [frames/s]; pace: shared with other looks, None makes one of pace_hz;
               retries: for the silent only; timeout_s [s]; now_ns: the clock of the kernel's stamps [ns since the epoch].
    Raises:    LookError: no right, no such interface, or not a private network. OutOfRange: network, pace or retries.
    """
    check_network(network)
    if network.prefixlen < LARGEST_PREFIX:
        raise OutOfRange(f"{network} has {network.num_addresses} addresses: sweep a /{LARGEST_PREFIX} or smaller")
    if not 0 <= retries <= 10 or not 0 < timeout_s <= 60:
        raise OutOfRange(f"{retries} retries and {timeout_s:g} s of waiting: write 0 to 10, and more than 0 to 60")
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    pace = pace or Pace(pace_hz, now_s=began_s)
    if source is not None and source not in network:
        raise LookError(f"source {source} is outside of {network}: neighbours would store a wrong entry")
    own = [address for address in own_addresses(interface) if address in network]
    asks_as = source if source is not None else next(iter(own), NOBODY)
    mine = {*own, asks_as} - {NOBODY}
    with PacketSocket(interface, ETHERTYPE) as sock:
        running = _Sweep(sock, network, asks_as, mine, now_ns)
        await _ask_all(running, pace, retries=retries, timeout_s=timeout_s)
        await _hear_stragglers(running, timeout_s)
        drops = sock.drops()
    return _result(running, segment, drops, loop.time() - began_s)


async def _ask_all(running: _Sweep, pace: Pace, *, retries: int, timeout_s: float) -> None:
    """Go through a queue of (address, attempts so far, not before); whoever stays silent goes to its end again."""
    loop = asyncio.get_running_loop()
    queue = deque((address, 0, 0.0) for address in running.wanted)
    while queue:
        address, attempts, not_before_s = queue[0]
        # Everyone is asked once, also who was heard before: a rival may answer, and the round trip is wanted.
        if attempts and address in running.claims:
            queue.popleft()
            continue
        now_s = loop.time()
        wait_s = not_before_s - now_s
        if wait_s <= 0:
            wait_s = pace.take(now_s)
        if wait_s > 0:
            # Answers carry the kernel's stamps, so they needn't be read the moment they come.
            await asyncio.sleep(min(wait_s, HEAR_S))
            running.hear()
            continue
        queue.popleft()
        running.probe(address)
        if attempts < retries:
            queue.append((address, attempts + 1, loop.time() + timeout_s))


async def _hear_stragglers(running: _Sweep, timeout_s: float) -> None:
    """Wait for late answers; when there is nobody left to wait for, only for rivals."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + timeout_s
    while running.silent and (left_s := until_s - loop.time()) > 0:
        await until_heard(running.sock, left_s)
        running.hear()
    left_s = until_s - loop.time()
    # Where no round trip is known there is no telling how long a rival may take.
    await asyncio.sleep(max(0.0, min(left_s, 2 * running.slowest_s or left_s)))
    running.hear()


def _result(running: _Sweep, segment: str, drops: int, elapsed_s: float) -> SweepResult:
    sightings, samples, notices = [], [], []
    for number, claim in sorted(running.claims.items()):
        address = str(IPv4Address(number))
        for mac, at_ns in claim.macs.items():
            if mac != running.sock.mac:
                sightings.append(Sighting(_utc(at_ns), segment, mac_text(mac), address, How.ARP))
        if claim.rtt_s is not None:
            at_ns = running.sent[number][1]
            samples.append(Sample(_utc(at_ns), f"device:{mac_text(claim.rtt_mac)}", "arp_rtt_s", claim.rtt_s))
        if len(claim.macs) > 1:
            macs = " ".join(sorted(map(mac_text, claim.macs)))
            detail = (("address", address), ("macs", macs))
            notices.append(Notice(_utc(max(claim.macs.values())), f"segment:{segment}", "address_conflict", detail))
    return SweepResult(
        sightings=tuple(sightings),
        samples=tuple(samples),
        notices=tuple(notices),
        silent=len(running.silent),
        frames_sent=running.frames_sent,
        unsent=running.unsent,
        drops=drops,
        elapsed_s=elapsed_s,
    )


def _utc(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / 1e9, UTC)
