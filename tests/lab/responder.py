"""
One process that plays the hosts of one segment: ARP, ND, ICMP echo, DHCP, mDNS, DNS and TCP connects, byte by byte.

Its reading and writing of frames is its own on purpose: it judges the program's, and must not share its mistakes.
Run as `python -m tests.lab.responder SEED PRECISE LOG`; it moves into a network namespace of its own, says so on standard
output, then takes one JSON command a line on standard input and answers each with one JSON line:

    {"do": "attach", "interface": NAME}   {"do": "set", "hosts": [...]}   {"do": "remove", "macs": [...]}
    {"do": "say", "mac": MAC, "what": WORD}   {"do": "send", "frame": HEX}   {"do": "counts"}   {"do": "log"}

It ends when standard input ends, and with its parent.
"""

from __future__ import annotations

import ctypes
import gc
import heapq
import json
import os
import random
import select
import signal
import socket
import struct
import sys
import time
from collections import Counter
from ipaddress import IPv4Address, IPv6Address
from typing import Any

CLONE_NEWNET = 0x40000000
PR_SET_PDEATHSIG = 1
PR_SET_TIMERSLACK = 29
SOL_PACKET = 263
PACKET_STATISTICS = 6
PACKET_IGNORE_OUTGOING = 23
SO_RCVBUFFORCE = 33
SO_TIMESTAMPNS = 35  # the constant is missing from Python's socket module
ETH_P_ALL = 3
STAMP = struct.Struct("@ll")
ANCILLARY = socket.CMSG_SPACE(STAMP.size)

# Measured: a select() that should end in 1 ms ends up to 60 us late on an idle machine; the rest is waited for awake.
SPIN_NS = 100_000
# Between two looks at the heap; more would let answers that are due wait behind a burst of questions.
DRAIN = 32
# The log is for tests that count frames per second: an hour of the default pace fits.
LOG_LIMIT = 1_000_000

BROADCAST = b"\xff" * 6
ALL_NODES = IPv6Address("ff02::1").packed
UNSPECIFIED6 = bytes(16)
MDNS_MAC, MDNS_IP = b"\x01\x00\x5e\x00\x00\xfb", IPv4Address("224.0.0.251").packed


def checksum(data: bytes) -> int:
    """Give the Internet checksum (RFC 1071), the plain way."""
    if len(data) % 2:
        data += b"\0"
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def ipv4(source: bytes, target: bytes, protocol: int, body: bytes, *, ttl: int = 64) -> bytes:
    """Put an IPv4 header (RFC 791) before the body."""
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(body), 0, 0x4000, ttl, protocol, 0, source, target)
    return head[:10] + struct.pack("!H", checksum(head)) + head[12:] + body


def udp4(source: bytes, source_port: int, target: bytes, port: int, body: bytes, *, ttl: int = 64) -> bytes:
    """Put IPv4 and UDP headers (RFC 768) before the body."""
    length = 8 + len(body)
    pseudo = source + target + struct.pack("!BBH", 0, 17, length)
    head = struct.pack("!HHH", source_port, port, length)
    total = checksum(pseudo + head + b"\0\0" + body) or 0xFFFF
    return ipv4(source, target, 17, head + struct.pack("!H", total) + body, ttl=ttl)


def icmp6(source: bytes, target: bytes, body: bytes, *, hops: int) -> bytes:
    """Put an IPv6 header (RFC 8200) before an ICMPv6 message and fill in the message's checksum (RFC 4443, 2.3)."""
    pseudo = source + target + struct.pack("!IHBB", len(body), 0, 0, 58)
    body = body[:2] + struct.pack("!H", checksum(pseudo + body[:2] + b"\0\0" + body[4:])) + body[4:]
    return struct.pack("!IHBB", 6 << 28, len(body), 58, hops) + source + target + body


def dns_name(name: str) -> bytes:
    """Write a domain name as labels."""
    return b"".join(bytes([len(part)]) + part.encode() for part in name.split(".")) + b"\0"


def read_dns_name(message: bytes, at: int) -> tuple[str, int] | None:
    """Read a name without compression, as questions have it; gives the name and where it ends."""
    parts: list[str] = []
    while at < len(message):
        size = message[at]
        if size == 0:
            return ".".join(parts).lower(), at + 1
        if size > 63:
            return None
        parts.append(message[at + 1 : at + 1 + size].decode("latin-1"))
        at += 1 + size
    return None


class Played:
    """A host while it is played: what Host says, in bytes, with the dice of its own."""

    __slots__ = (
        "delay_ns", "dice", "duplicate", "ip4", "ip6", "jitter_ns", "loss", "mac", "name", "pool", "ports", "present",
        "services", "silent", "text", "zone",
    )  # fmt: skip

    def __init__(self, spec: dict[str, Any], seed: int) -> None:
        self.text: str = spec["mac"]
        self.mac = bytes.fromhex(self.text.replace(":", ""))
        self.ip4 = IPv4Address(spec["address"]).packed if spec["address"] else None
        self.ip6 = IPv6Address(spec["address6"]).packed if spec["address6"] else None
        self.delay_ns = round(spec["delay_s"] * 1e9)
        self.jitter_ns = round(spec["jitter_s"] * 1e9)
        self.loss: float = spec["loss"]
        self.duplicate: float = spec["duplicate"]
        self.present: bool = spec["present"]
        self.silent = frozenset(spec["silent"])
        self.name: str | None = spec["name"]
        self.services: list[str] = spec["services"]
        self.ports = frozenset(spec["ports"])
        self.zone: dict[str, str] = {name.lower(): address for name, address in spec["zone"]}
        self.pool: dict[str, Any] | None = spec["pool"]
        chance = self.loss or self.duplicate or self.jitter_ns
        self.dice = random.Random(f"{seed} {self.text}") if chance else None


class Responder:
    """The hosts of one segment and what is still to be sent."""

    def __init__(self, *, seed: int, keep_log: bool) -> None:
        self.seed = seed
        self.sock: socket.socket | None = None
        self.by_mac: dict[bytes, Played] = {}
        self.by_ip4: dict[bytes, list[Played]] = {}
        self.by_ip6: dict[bytes, list[Played]] = {}
        self.servers: list[Played] = []
        self.due: list[tuple[int, int, bytes]] = []
        self.order = 0
        self.frames = self.lost = self.duplicated = self.unsent = self.drops = 0
        self.asked: Counter[str] = Counter()
        self.answered: Counter[str] = Counter()
        self.asked_of: dict[str, Counter[str]] = {}
        self.offers: dict[tuple[str, bytes], bytes] = {}
        self.leases: dict[str, str] = {}
        self.keep_log = keep_log
        self.log: list[tuple[int, str, str]] = []

    # ---- commands

    def attach(self, interface: str) -> None:
        """Open the segment's socket: everything that comes in, nothing that we send, with the kernel's stamps."""
        sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        sock.setsockopt(SOL_PACKET, PACKET_IGNORE_OUTGOING, 1)
        try:
            sock.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 32 << 20)
        except PermissionError:  # not in a user namespace; drops are counted, so a test notices when it mattered
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 32 << 20)
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        sock.bind((interface, ETH_P_ALL))
        sock.settimeout(0)
        self.sock = sock

    def set(self, specs: list[dict[str, Any]]) -> None:
        """Add hosts; one with a known MAC replaces what was played under that MAC."""
        for spec in specs:
            host = Played(spec, self.seed)
            self.by_mac[host.mac] = host
        self.index()

    def remove(self, macs: list[str]) -> None:
        """Take hosts away."""
        for mac in macs:
            self.by_mac.pop(bytes.fromhex(mac.replace(":", "")), None)
        self.index()

    def index(self) -> None:
        """Find hosts by what questions carry."""
        self.by_ip4, self.by_ip6, self.servers = {}, {}, []
        for host in self.by_mac.values():
            if host.ip4:
                self.by_ip4.setdefault(host.ip4, []).append(host)
            if host.ip6:
                self.by_ip6.setdefault(host.ip6, []).append(host)
            if host.pool:
                self.servers.append(host)

    def counts(self) -> dict[str, Any]:
        """Give what was done so far; the kernel's drop counter starts anew at each reading, so add it up."""
        if self.sock is not None:
            _, drops = struct.unpack("II", self.sock.getsockopt(SOL_PACKET, PACKET_STATISTICS, 8))
            self.drops += drops
        return {
            "frames": self.frames,
            "asked": dict(self.asked),
            "answered": dict(self.answered),
            "lost": self.lost,
            "duplicated": self.duplicated,
            "unsent": self.unsent,
            "drops": self.drops,
            "leases": self.leases,
            "asked_of": {mac: dict(kinds) for mac, kinds in self.asked_of.items()},
        }

    def command(self, line: str) -> dict[str, Any]:
        """Do what one line says."""
        order = json.loads(line)
        match order["do"]:
            case "attach":
                self.attach(order["interface"])
            case "set":
                self.set(order["hosts"])
            case "remove":
                self.remove(order["macs"])
            case "say":
                self.say(self.by_mac[bytes.fromhex(order["mac"].replace(":", ""))], order["what"])
            case "send":
                self.send(bytes.fromhex(order["frame"]))
            case "counts":
                return self.counts()
            case "log":
                return {"log": self.log}
            case other:
                raise ValueError(f"no such command: {other}")
        return {"done": order["do"]}

    # ---- sending

    def send(self, frame: bytes) -> None:
        """Put a frame on the segment; one that the kernel does not take is counted."""
        if self.sock is None:
            raise ValueError("attach first")
        try:
            self.sock.send(frame)
        except OSError:
            self.unsent += 1

    def answer(self, host: Played, kind: str, stamp_ns: int, frame: bytes) -> None:
        """Send the host's answer as its quirks have it."""
        per_host = self.asked_of.get(host.text)
        if per_host is None:
            per_host = self.asked_of[host.text] = Counter()
        per_host[kind] += 1
        times, delay_ns, dice = 1, host.delay_ns, host.dice
        if dice is not None:
            # All three are drawn each time, so that changing one quirk does not change the fate of the others.
            lost, twice, late = dice.random() < host.loss, dice.random() < host.duplicate, dice.random()
            if lost:
                self.lost += 1
                return
            delay_ns += round(late * host.jitter_ns)
            if twice:
                self.duplicated += 1
                times = 2
        self.answered[kind] += 1
        for _ in range(times):
            if delay_ns:
                self.order += 1
                heapq.heappush(self.due, (stamp_ns + delay_ns, self.order, frame))
            else:
                self.send(frame)

    def note(self, kind: str, stamp_ns: int, address: str) -> None:
        """Count a question, and keep it if a test asked for that."""
        self.asked[kind] += 1
        if self.keep_log and len(self.log) < LOG_LIMIT:
            self.log.append((stamp_ns, kind, address))

    # ---- questions

    def receive(self, frame: bytes, stamp_ns: int) -> None:
        """Look at one frame and let those answer whom it concerns."""
        self.frames += 1
        kind = frame[12:14]
        if kind == b"\x08\x06" and len(frame) >= 42:
            self.on_arp(frame, stamp_ns)
        elif kind == b"\x08\x00" and len(frame) >= 34:
            self.on_ipv4(frame, stamp_ns)
        elif kind == b"\x86\xdd" and len(frame) >= 54:
            self.on_ipv6(frame, stamp_ns)

    def on_arp(self, frame: bytes, stamp_ns: int) -> None:
        """Answer an ARP request (RFC 826) for one of ours; not one that a host sends about its own address."""
        if frame[20:22] != b"\x00\x01":
            return
        wanted, asker = frame[38:42], frame[28:32]
        self.note("arp", stamp_ns, str(IPv4Address(wanted)))
        for host in self.by_ip4.get(wanted, ()):
            if host.present and "arp" not in host.silent and wanted != asker:
                reply = (
                    frame[6:12]
                    + host.mac
                    + b"\x08\x06\x00\x01\x08\x00\x06\x04\x00\x02"
                    + host.mac
                    + wanted
                    + frame[22:32]
                )
                self.answer(host, "arp", stamp_ns, reply.ljust(60, b"\0"))

    def on_ipv4(self, frame: bytes, stamp_ns: int) -> None:
        """Sort an IPv4 packet that is addressed to one of our MACs or to all."""
        size = (frame[14] & 15) * 4
        total = int.from_bytes(frame[16:18], "big")
        body = frame[14 + size : 14 + total]
        protocol, source, target = frame[23], frame[26:30], frame[30:34]
        if protocol == 17 and len(body) >= 8:
            port = int.from_bytes(body[2:4], "big")
            if port == 67:
                self.on_dhcp(body[8:], frame[6:12], stamp_ns)
            elif port == 5353:
                self.on_mdns(body[8:], stamp_ns)
        host = self.by_mac.get(frame[:6])
        if host is None or not host.present or host.ip4 != target:
            return
        if protocol == 1 and len(body) >= 8 and body[0] == 8:
            self.note("echo", stamp_ns, str(IPv4Address(target)))
            if "echo" not in host.silent:
                # RFC 792 as code 8 becomes 0, RFC 1624: the checksum grows by 0x0800 with end-around carry.
                total = int.from_bytes(body[2:4], "big") + 0x0800
                total = (total & 0xFFFF) + (total >> 16)
                reply = b"\0" + body[1:2] + struct.pack("!H", total) + body[4:]
                self.answer(
                    host, "echo", stamp_ns, frame[6:12] + host.mac + b"\x08\x00" + ipv4(target, source, 1, reply)
                )
        elif protocol == 6 and len(body) >= 20:
            self.on_tcp(host, frame, body, stamp_ns)
        elif protocol == 17 and len(body) >= 8 and body[2:4] == b"\0\x35" and host.zone:
            self.on_dns(host, frame, body, stamp_ns)

    def on_tcp(self, host: Played, frame: bytes, body: bytes, stamp_ns: int) -> None:
        """Answer a SYN (RFC 9293, 3.5): SYN-ACK on an open port, RST on any other. What follows is not answered."""
        if body[13] & 0x17 != 0x02:
            return
        source, target = frame[26:30], frame[30:34]
        port = int.from_bytes(body[2:4], "big")
        self.note("tcp", stamp_ns, f"{IPv4Address(target)}:{port}")
        if "tcp" in host.silent:
            return
        flags = 0x12 if port in host.ports else 0x14
        acknowledged = (int.from_bytes(body[4:8], "big") + 1) & 0xFFFFFFFF
        head = body[2:4] + body[0:2] + struct.pack("!IIBBHHH", 1000, acknowledged, 0x50, flags, 8192, 0, 0)
        pseudo = target + source + struct.pack("!BBH", 0, 6, len(head))
        head = head[:16] + struct.pack("!H", checksum(pseudo + head)) + head[18:]
        self.answer(host, "tcp", stamp_ns, frame[6:12] + host.mac + b"\x08\x00" + ipv4(target, source, 6, head))

    def on_dns(self, host: Played, frame: bytes, body: bytes, stamp_ns: int) -> None:
        """Answer one DNS question (RFC 1035) of type A from the host's zone, NXDOMAIN for a name that it has not."""
        message = body[8:]
        if len(message) < 12 or message[2] & 0x80:
            return
        read = read_dns_name(message, 12)
        if read is None:
            return
        name, end = read
        question = message[12 : end + 4]
        self.note("dns", stamp_ns, name)
        if "dns" in host.silent:
            return
        address = host.zone.get(name)
        wants_a = question[-4:] == b"\0\1\0\1"
        flags = 0x8400 | (message[2] & 1) << 8 | (0 if address else 3)
        reply = message[:2] + struct.pack("!HHHHH", flags, 1, 1 if address and wants_a else 0, 0, 0) + question
        if address and wants_a:
            reply += b"\xc0\x0c\0\1\0\1" + struct.pack("!IH", 60, 4) + IPv4Address(address).packed
        source, target = frame[26:30], frame[30:34]
        packet = udp4(target, 53, source, int.from_bytes(body[0:2], "big"), reply)
        self.answer(host, "dns", stamp_ns, frame[6:12] + host.mac + b"\x08\x00" + packet)

    def on_mdns(self, message: bytes, stamp_ns: int) -> None:
        """Answer multicast DNS questions (RFC 6762) for names and service types of our hosts."""
        if len(message) < 12 or message[2] & 0x80:
            return
        at = 12
        for _ in range(int.from_bytes(message[4:6], "big")):
            read = read_dns_name(message, at)
            if read is None:
                return
            name, end = read
            kind, at = int.from_bytes(message[end : end + 2], "big"), end + 4
            self.note("mdns", stamp_ns, name)
            for host in self.by_mac.values():
                if host.present and host.name and host.ip4 and "mdns" not in host.silent:
                    types = [f"{service}.local".lower() for service in host.services]
                    mine = kind in (1, 255) and name == f"{host.name}.local".lower()
                    if mine or (kind in (12, 255) and name in types):
                        self.answer(host, "mdns", stamp_ns, self.mdns_frame(host))

    def mdns_frame(self, host: Played) -> bytes:
        """Tell a host's name, address and services, as an answer or unasked (RFC 6762, 8.3)."""
        full = f"{host.name}.local"
        records = [dns_name(full) + b"\0\1\x80\1" + struct.pack("!IH", 120, 4) + (host.ip4 or bytes(4))]
        for service in host.services:
            instance = dns_name(f"{host.name}.{service}.local")
            where = struct.pack("!HHH", 0, 0, host_port(service)) + dns_name(full)
            records.append(
                dns_name(f"{service}.local") + b"\0\x0c\0\1" + struct.pack("!IH", 4500, len(instance)) + instance
            )
            records.append(instance + b"\0\x21\x80\1" + struct.pack("!IH", 120, len(where)) + where)
        message = struct.pack("!HHHHHH", 0, 0x8400, 0, len(records), 0, 0) + b"".join(records)
        packet = udp4(host.ip4 or bytes(4), 5353, MDNS_IP, 5353, message, ttl=255)
        return MDNS_MAC + host.mac + b"\x08\x00" + packet

    def on_dhcp(self, message: bytes, asker: bytes, stamp_ns: int) -> None:
        """Play the servers (RFC 2131, 4.3): an OFFER for a DISCOVER, an ACK for a REQUEST that is for this server."""
        if len(message) < 244 or message[0] != 1 or message[236:240] != b"\x63\x82\x53\x63":
            return
        options = read_options(message[240:])
        asked = options.get(53, b"\0")[0]
        chaddr = message[28:34]
        self.note("dhcp", stamp_ns, {1: "discover", 3: "request"}.get(asked, str(asked)))
        for host in self.servers:
            if not host.present or "dhcp" in host.silent or host.ip4 is None or host.pool is None:
                continue
            if asked == 1:
                given = self.offer(host, chaddr)
                if given is not None:
                    self.answer(host, "dhcp", stamp_ns, self.dhcp_frame(host, asker, message, 2, given))
            elif asked == 3 and options.get(54, host.ip4) == host.ip4:
                wanted = options.get(50, message[12:16])
                given = self.offer(host, chaddr)
                if given is None or wanted != given:
                    self.answer(host, "dhcp", stamp_ns, self.dhcp_frame(host, asker, message, 6, bytes(4)))
                else:
                    self.leases[chaddr.hex(":")] = str(IPv4Address(given))
                    self.answer(host, "dhcp", stamp_ns, self.dhcp_frame(host, asker, message, 5, given))

    def offer(self, host: Played, chaddr: bytes) -> bytes | None:
        """Give the client's address of before, else the pool's next one, None when it has no more."""
        known = self.offers.get((host.text, chaddr))
        if known is not None or host.pool is None:
            return known
        used = sum(1 for server, _ in self.offers if server == host.text)
        if used >= host.pool["count"]:
            return None
        given = (IPv4Address(host.pool["first"]) + used).packed
        self.offers[host.text, chaddr] = given
        return given

    def dhcp_frame(self, host: Played, asker: bytes, question: bytes, kind: int, given: bytes) -> bytes:
        """Write a server's message (RFC 2131, table 3), broadcast when the client asks for that."""
        pool = host.pool or {}
        mine = host.ip4 or bytes(4)
        options = bytes([53, 1, kind, 54, 4]) + mine
        if kind != 6:
            options += (
                bytes([51, 4]) + struct.pack("!I", pool["lease_s"]) + bytes([1, 4]) + IPv4Address(pool["mask"]).packed
            )
            if pool["router"]:
                options += bytes([3, 4]) + IPv4Address(pool["router"]).packed
            if pool["dns"]:
                options += bytes([6, 4 * len(pool["dns"])]) + b"".join(IPv4Address(one).packed for one in pool["dns"])
            if pool["domain"]:
                options += bytes([15, len(pool["domain"])]) + pool["domain"].encode()
        head = (
            bytes([2, 1, 6, 0]) + question[4:8] + bytes(2) + question[10:12] + bytes(4) + given + mine + question[24:44]
        )
        message = (head + bytes(192) + b"\x63\x82\x53\x63" + options + b"\xff").ljust(300, b"\0")
        everyone = bool(question[10] & 0x80) or kind == 6
        packet = udp4(mine, 67, BROADCAST[:4] if everyone else given, 68, message)
        return (BROADCAST if everyone else asker) + host.mac + b"\x08\x00" + packet

    def on_ipv6(self, frame: bytes, stamp_ns: int) -> None:
        """Answer a neighbour solicitation (RFC 4861, 7.2.4) or an ICMPv6 echo, also one to all nodes."""
        if frame[20] != 58 or len(frame) < 62:
            return
        source, target, body = frame[22:38], frame[38:54], frame[54 : 54 + int.from_bytes(frame[18:20], "big")]
        if body[0] == 135 and len(body) >= 24:
            wanted = body[8:24]
            self.note("nd", stamp_ns, str(IPv6Address(wanted)))
            for host in self.by_ip6.get(wanted, ()):
                if host.present and "nd" not in host.silent:
                    # To a probe from the unspecified address the answer goes to all nodes, unsolicited (7.2.4).
                    probe = source == UNSPECIFIED6
                    flags = 0x20000000 if probe else 0x60000000
                    reply = struct.pack("!BBHI", 136, 0, 0, flags) + wanted + b"\x02\x01" + host.mac
                    to, mac = (ALL_NODES, b"\x33\x33\0\0\0\1") if probe else (source, frame[6:12])
                    self.answer(host, "nd", stamp_ns, mac + host.mac + b"\x86\xdd" + icmp6(wanted, to, reply, hops=255))
        elif body[0] == 128 and len(body) >= 8:
            everyone = target == ALL_NODES
            self.note("echo6", stamp_ns, str(IPv6Address(target)))
            one = self.by_mac.get(frame[:6])
            hosts = list(self.by_mac.values()) if everyone else [one] if one is not None and one.ip6 == target else []
            for host in hosts:
                if host.present and host.ip6 and "echo6" not in host.silent:
                    packet = icmp6(host.ip6, source, b"\x81" + body[1:], hops=64)
                    self.answer(host, "echo6", stamp_ns, frame[6:12] + host.mac + b"\x86\xdd" + packet)

    # ---- what hosts say unasked

    def say(self, host: Played, what: str) -> None:
        """Let a host speak: arp (about itself), nd (unsolicited advertisement), mdns, discover, request, goodbye."""
        mine = host.ip4 or bytes(4)
        match what:
            case "arp":
                head = BROADCAST + host.mac + b"\x08\x06\x00\x01\x08\x00\x06\x04\x00\x01"
                self.send((head + host.mac + mine + bytes(6) + mine).ljust(60, b"\0"))
            case "nd":
                if host.ip6 is None:
                    raise ValueError(f"{host.text} has no IPv6 address")
                body = struct.pack("!BBHI", 136, 0, 0, 0x20000000) + host.ip6 + b"\x02\x01" + host.mac
                packet = icmp6(host.ip6, ALL_NODES, body, hops=255)
                self.send(b"\x33\x33\0\0\0\1" + host.mac + b"\x86\xdd" + packet)
            case "mdns":
                self.send(self.mdns_frame(host))
            case "discover" | "request":
                options = bytes([53, 1, 1 if what == "discover" else 3])
                if what == "request":
                    options += bytes([50, 4]) + mine
                if host.name:
                    options += bytes([12, len(host.name)]) + host.name.encode()
                head = bytes([1, 1, 6, 0]) + host.mac[2:] + bytes(20) + host.mac + bytes(202)
                message = (head + b"\x63\x82\x53\x63" + options + b"\xff").ljust(300, b"\0")
                packet = udp4(bytes(4), 68, BROADCAST[:4], 67, message)
                self.send(BROADCAST + host.mac + b"\x08\x00" + packet)
            case other:
                raise ValueError(f"a host can't say {other}")

    # ---- the loop

    def drain(self) -> None:
        """Take what has arrived, a bounded number at a time so that answers that are due go out in between."""
        if self.sock is None:
            return
        for _ in range(DRAIN):
            try:
                frame, ancillary, _, _ = self.sock.recvmsg(2048, ANCILLARY)
            except BlockingIOError:
                return
            except OSError:  # the link went down: counted by whoever misses the answers
                return
            stamp_ns = 0
            for level, kind, data in ancillary:
                if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
                    seconds, nanoseconds = STAMP.unpack(data)
                    stamp_ns = seconds * 1_000_000_000 + nanoseconds
            self.receive(frame, stamp_ns or time.time_ns())

    def flush(self) -> float:
        """Send what is due, waiting awake for what is due at once; gives how long nothing will be due [s]."""
        while self.due:
            early_ns = self.due[0][0] - time.time_ns()
            if early_ns > SPIN_NS:
                return (early_ns - SPIN_NS) / 1e9
            while time.time_ns() < self.due[0][0]:
                pass
            self.send(heapq.heappop(self.due)[2])
        return 1.0

    def run(self) -> None:
        """Play until standard input ends."""
        orders = sys.stdin.fileno()
        pending = b""
        while True:
            sources: list[Any] = [orders] if self.sock is None else [orders, self.sock]
            # select counts in microseconds; epoll would round each wait up to a millisecond.
            ready, _, _ = select.select(sources, [], [], self.flush())
            if self.sock in ready:
                self.drain()
            if orders in ready:
                data = os.read(orders, 1 << 20)
                if not data:
                    return
                *lines, pending = (pending + data).split(b"\n")
                for line in lines:
                    try:
                        tell(self.command(line.decode()))
                    except Exception as error:  # noqa: BLE001 - whoever gave the order gets to know what was wrong with it
                        tell({"error": f"{type(error).__name__}: {error}"})


def host_port(service: str) -> int:
    """Give a stable port for a service type; which one does not matter, only that it is always the same."""
    return 1024 + sum(service.encode()) % 40000


def read_options(data: bytes) -> dict[int, bytes]:
    """Read DHCP options (RFC 2132) as far as they are whole."""
    options: dict[int, bytes] = {}
    at = 0
    while at < len(data) and data[at] != 255:
        if data[at] == 0:
            at += 1
            continue
        if at + 2 > len(data):
            break
        size = data[at + 1]
        options[data[at]] = data[at + 2 : at + 2 + size]
        at += 2 + size
    return {key: value for key, value in options.items() if value}


def tell(answer: dict[str, Any]) -> None:
    """Say one thing to whoever started us."""
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


def main() -> None:
    """Move into a namespace, get ready, play."""
    seed, precise, keep_log = (int(word) for word in sys.argv[1:4])
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL))
    if libc.unshare(CLONE_NEWNET):
        tell({"error": os.strerror(ctypes.get_errno())})
        return
    libc.prctl(PR_SET_TIMERSLACK, 1000)
    first = False
    if precise:
        try:
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))
            first = True
        except PermissionError:
            first = False
    gc.freeze()
    tell({"ready": True, "first": first})
    Responder(seed=seed, keep_log=bool(keep_log)).run()


if __name__ == "__main__":
    main()
