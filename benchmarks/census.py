"""
How fast the census is, and that its memory stays flat.

One process, one core, one mixed capture of a site with 200 hosts (deterministic, in a temporary folder): frames a second
of the whole census, beside scapy's full dissection, dpkt's Ethernet decoding and merely reading the frames; then the
peak memory of censuses of 500,000 and 5,000,000 frames that come through a pipe.

    python -m benchmarks.census [FRAMES]
"""

from __future__ import annotations

import importlib
import itertools
import os
import random
import struct
import subprocess
import sys
import tempfile
import time
from ipaddress import IPv4Address
from pathlib import Path
from typing import TYPE_CHECKING, Any

import dpkt

from netaudit.observe.census import Census
from netaudit.observe.census_file import read_capture
from netaudit.observe.census_sort import FrameSorter
from netaudit.wire.arp import Arp, encode_arp_reply, encode_arp_request
from netaudit.wire.capture import PcapWriter, open_capture
from netaudit.wire.dhcp4 import encode_dhcp4_request
from netaudit.wire.dns import A, DnsRecord, encode_dns_query, encode_dns_response
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.udp import encode_udp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FRAMES = 500_000
HOSTS = 200
# Scapy dissects a few thousand frames a second: a sample is enough, its frames are as mixed as all.
SCAPY_SAMPLE = 20_000
ROUNDS = 3
EVERYBODY = IPv4Address("255.255.255.255")
MDNS_GROUP = IPv4Address("224.0.0.251")
BROADCAST = b"\xff" * 6
MDNS_MAC = b"\x01\x00\x5e\x00\x00\xfb"
NOISE = random.Random(7).randbytes(65_536)

# Share of the frames: ARP, mDNS, DHCP, then UDP and TCP of the hosts with their router; a busy home by day
# (common practice, no source).
ARP, MDNS, DHCP, UDP = 0.15, 0.08, 0.005, 0.30


def mac(host: int) -> bytes:
    """Give the locally administered MAC of a host."""
    return b"\x02\x00\x00\x00" + struct.pack("!H", host)


def address(host: int) -> IPv4Address:
    """Give the address of a host; host 0 is the router."""
    return IPv4Address("10.20.0.1") + host


def frames(count: int, seed: int = 1) -> Iterator[tuple[int, bytes]]:
    """Make `count` frames of 200 hosts and their router, with times [ns]; the same for the same seed."""
    rng = random.Random(seed)
    at_ns = 1_700_000_000_000_000_000
    for number in range(count):
        at_ns += rng.randrange(20_000, 200_000)
        host = rng.randrange(1, HOSTS + 1)
        lot = rng.random()
        if lot < ARP:
            yield at_ns, _arp(rng, host)
        elif lot < ARP + MDNS:
            yield at_ns, _mdns(rng, host)
        elif lot < ARP + MDNS + DHCP:
            request = encode_dhcp4_request(mac(host), number, address(host), hostname=f"host-{host}")
            yield at_ns, _datagram(host, IPv4Address(0), EVERYBODY, (68, 67), request)
        else:
            yield at_ns, _traffic(rng, host, number, is_udp=lot < ARP + MDNS + DHCP + UDP)


def _arp(rng: random.Random, host: int) -> bytes:
    if rng.random() < 0.5:
        return encode_arp_request(mac(host), address(host), address(rng.choice((0, rng.randrange(1, HOSTS + 1)))))
    return encode_arp_reply(Arp(2, mac(host), address(host), mac(0), address(0)))


def _mdns(rng: random.Random, host: int) -> bytes:
    if rng.random() < 0.6:
        message = encode_dns_query(rng.choice(("_ipp._tcp.local", "_http._tcp.local", f"host-{host}.local")), 12)
    else:
        message = encode_dns_response([DnsRecord(f"host-{host}.local", A, 120, address=address(host))])
    return _datagram(host, address(host), MDNS_GROUP, (5353, 5353), message)


def _datagram(host: int, source: IPv4Address, target: IPv4Address, ports: tuple[int, int], data: bytes) -> bytes:
    packet = encode_ipv4(source, target, 17, encode_udp(source, target, *ports, data), ttl=255)
    return encode_ethernet(BROADCAST if target == EVERYBODY else MDNS_MAC, mac(host), 0x0800, packet)


def _traffic(rng: random.Random, host: int, number: int, *, is_udp: bool) -> bytes:
    size = rng.choice((0, 0, 60, 200, 1200))
    ends = (address(host).packed, struct.pack("!I", 0xCB007100 + rng.randrange(256)))  # 203.0.113.0/24
    macs = mac(0) + mac(host)
    if rng.random() < 0.5:
        ends, macs = ends[::-1], mac(host) + mac(0)
    port = 40_000 + rng.randrange(20_000)
    if is_udp:
        head = struct.pack("!HHHH", port, 443, 8 + size, number & 0xFFFF)
    else:
        head = struct.pack("!HHIIHHHH", port, 443, number, number >> 1, 0x5018, 501, number & 0xFFFF, 0)
    packet = struct.pack(
        "!BBHHHBBH", 0x45, 0, 20 + len(head) + size, number & 0xFFFF, 0x4000, 64, 17 if is_udp else 6, 0
    )
    start = number * 37 % 60_000
    return (macs + b"\x08\x00" + packet + ends[0] + ends[1] + head + NOISE[start : start + size]).ljust(60, b"\0")


def census(path: Path) -> int:
    """Take the whole census of a file."""
    sorter = FrameSorter(Census())
    with path.open("rb") as stream:
        read = read_capture(sorter, stream, path.name)
    sorter.settle()
    return read.frames


def only_read(path: Path) -> int:
    """Read the frames and do nothing with them."""
    with path.open("rb") as stream:
        count = 0
        for _ in open_capture(stream):
            count += 1
        return count


def dpkt_ethernet(path: Path) -> int:
    """Decode each frame with dpkt, which goes on to IP, UDP and TCP by itself."""
    with path.open("rb") as stream:
        count = 0
        for _, data in dpkt.pcap.Reader(stream):
            dpkt.ethernet.Ethernet(data)
            count += 1
        return count


def scapy_dissect(path: Path) -> int:
    """Dissect a sample of the frames with scapy, layers loaded for all that is in them."""
    # Megabytes that only this measurement needs; the measured process must not have them.
    for layer in ("l2", "inet", "dns", "dhcp"):
        importlib.import_module(f"scapy.layers.{layer}")
    reader_of = importlib.import_module("scapy.utils").PcapReader

    with reader_of(str(path)) as reader:
        return sum(1 for _ in itertools.islice(reader, SCAPY_SAMPLE))


def rate(what: Callable[[Path], int], path: Path) -> float:
    """
    Give frames a second of this process's own time, the best of some rounds.

    Not the clock on the wall: what else the machine does would be blamed on whoever is measured at that moment.
    """
    best = 0.0
    for _ in range(ROUNDS):
        start = time.process_time()
        count = what(path)
        best = max(best, count / (time.process_time() - start))
    return best


def peak_mb(count: int) -> float:
    """Give the peak memory [MB] of a census of `count` frames that are made on the fly and come through a pipe."""
    child = subprocess.Popen([sys.executable, __file__, "--measured"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    if child.stdin is None or child.stdout is None:
        raise SystemExit("no pipe to the measured process")
    writer = PcapWriter(child.stdin)
    for at_ns, frame in frames(count):
        writer.write(at_ns, frame)
    child.stdin.close()
    answer = child.stdout.read()
    if child.wait() != 0:
        raise SystemExit("the measured process failed")
    return float(answer)


def measured() -> None:
    """Be the measured process: take a census of standard input, print the own peak memory [MB]."""
    sorter = FrameSorter(Census())
    read_capture(sorter, sys.stdin.buffer, "standard input")
    sorter.settle()
    # Not getrusage: its maximum is handed on from the process that started us.
    peak = next(line for line in Path("/proc/self/status").read_text("ascii").splitlines() if line.startswith("VmHWM:"))
    print(int(peak.split()[1]) / 1024)


def main(count: int) -> None:
    """Measure all and print the ratios."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    rows: dict[str, float] = {}
    ways: dict[str, Any] = {
        "netaudit, whole census": census,
        "netaudit, only reading": only_read,
        "dpkt, Ethernet decoding": dpkt_ethernet,
        "scapy, full dissection": scapy_dissect,
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "mixed.pcap"
        with path.open("wb") as stream:
            writer = PcapWriter(stream)
            for at_ns, frame in frames(count):
                writer.write(at_ns, frame)
        print(f"{count:,} frames, {path.stat().st_size / 1e6:.0f} MB, {HOSTS} hosts, one core")
        for name, way in ways.items():
            rows[name] = rate(way, path)
            print(f"{name:26}{rows[name]:12,.0f} frames/s")
    own = rows["netaudit, whole census"]
    print(f"census / scapy:        {own / rows['scapy, full dissection']:.1f} (at least 60)")
    print(f"census / dpkt:         {own / rows['dpkt, Ethernet decoding']:.2f} (at least 3)")
    print(f"census / only reading: {own / rows['netaudit, only reading']:.2f} (1 would be free)")
    small, large = peak_mb(count), peak_mb(10 * count)
    print(f"memory, {count:,} frames:  {small:.1f} MB")
    print(f"memory, {10 * count:,} frames: {large:.1f} MB, ratio {large / small:.2f} (at most 1.3)")


if __name__ == "__main__":
    if sys.argv[1:] == ["--measured"]:
        measured()
    else:
        main(int(sys.argv[1]) if sys.argv[1:] else FRAMES)
