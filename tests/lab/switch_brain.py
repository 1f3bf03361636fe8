"""
What a laboratory switch knows of itself, written again and again as the rows that its SNMP agent tells.

Run as `python -m tests.lab.switch_brain FOLDER` inside the switch's namespace. It reads from the kernel, twice a second: the
forwarding tables of the bridges, link states and counters of the ports. It speaks LLDP (IEEE 802.1AB) on each port and
hears it there. What a kernel has not is in FOLDER/seed, which may change at any time: rates of links, watts, power classes.

FOLDER/seed is JSON: name, mac, sockets, rates {port: Mb/s}, rating and watts of the supply, classes {port: class}. The rows go
to FOLDER/rows. Ports are interfaces called `pN` or, a leg for each VLAN, `pN.WORD`.
"""

from __future__ import annotations

import json
import re
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.observe.snmp import recording
from tests.observe.snmp.recording import (
    BASE_PORT,
    IF,
    IFX,
    LLDP_LOCAL,
    LLDP_REMOTE,
    OFFSET,
    POE_PORT,
    POE_SUPPLY,
    Q_FDB,
    SYSTEM,
    UPTIME,
    Rows,
    mac_index,
    octets,
)

PORT = re.compile(r"p([0-9]+)(?:\..+)?$")
LLDP, LLDP_MAC = 0x88CC, bytes.fromhex("0180c200000e")
TTL_S = 4
EVERY_S = 0.4
LEARNED, SELF = "3", "4"


def port_of(name: str) -> int | None:
    """Give the port that an interface is, or is a leg of."""
    found = PORT.match(name)
    return int(found[1]) if found else None


def _ask(*words: str) -> list[dict[str, Any]]:
    """Ask iproute2, whose answers are JSON."""
    told: list[dict[str, Any]] = json.loads(subprocess.run(words, capture_output=True, check=True).stdout or b"[]")
    return told


def tlv(kind: int, value: bytes) -> bytes:
    """Write a type-length-value of 7 and 9 bits (802.1AB-2016, 8.4)."""
    return struct.pack("!H", kind << 9 | len(value)) + value


def lldp_frame(mac: bytes, port: str, name: str) -> bytes:
    """Write what a switch says on a port: chassis by MAC (4), port by interface name (5), time to live, name, end."""
    said = tlv(1, b"\x04" + mac) + tlv(2, b"\x05" + port.encode()) + tlv(3, struct.pack("!H", TTL_S))
    return (LLDP_MAC + mac + struct.pack("!H", LLDP) + said + tlv(5, name.encode()) + tlv(0, b"")).ljust(60, b"\0")


def read_lldp(frame: bytes) -> dict[int, bytes]:
    """Read the values by type, as far as they are whole."""
    found: dict[int, bytes] = {}
    at = 14
    while at + 2 <= len(frame):
        head = int.from_bytes(frame[at : at + 2], "big")
        kind, size = head >> 9, head & 511
        if kind == 0 or at + 2 + size > len(frame):
            break
        found.setdefault(kind, frame[at + 2 : at + 2 + size])
        at += 2 + size
    return found


class Brain:
    """One switch's knowledge."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.began_s = time.monotonic()
        self.sockets: dict[str, socket.socket] = {}
        # Per port and chassis: until when it holds [s, steady], and its values.
        self.neighbours: dict[tuple[int, bytes], tuple[float, dict[int, bytes]]] = {}

    def round(self) -> None:
        """Look, speak, listen, write."""
        seed = json.loads((self.folder / "seed").read_text())
        links = _ask("ip", "-j", "-s", "link", "show")
        ports = {one["ifname"]: port for one in links if (port := port_of(one["ifname"])) is not None}
        self._talk(ports, seed)
        rows = {
            (*SYSTEM, 1, 0): octets("Laboratory switch"),
            UPTIME: ("timeticks", str(int((time.monotonic() - self.began_s) * 100) + 100)),
            (*SYSTEM, 5, 0): octets(seed["name"]),
            **self._interfaces(links, ports, seed),
            **_tables(ports, links),
            **self._heard(ports),
            **_power(seed),
        }
        recording.write(rows, self.folder / "rows")

    def _talk(self, ports: dict[str, int], seed: dict[str, Any]) -> None:
        """Say who we are on each port, and hear who else says so there."""
        now_s = time.monotonic()
        for gone in self.sockets.keys() - ports.keys():
            self.sockets.pop(gone).close()
        for name, port in ports.items():
            try:
                if name not in self.sockets:
                    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
                    sock.settimeout(0)
                    sock.bind((name, LLDP))
                    self.sockets[name] = sock
                sock = self.sockets[name]
                self._hear(sock, port, now_s, seed)
                sock.send(lldp_frame(bytes.fromhex(seed["mac"].replace(":", "")), name, seed["name"]))
            except OSError:
                # Down, or renamed a moment ago: a new socket next time.
                self.sockets.pop(name).close()
        there = set(ports.values())
        self.neighbours = {key: known for key, known in self.neighbours.items() if known[0] > now_s and key[0] in there}

    def _hear(self, sock: socket.socket, port: int, now_s: float, seed: dict[str, Any]) -> None:
        own = bytes.fromhex(seed["mac"].replace(":", ""))
        while True:
            try:
                frame = sock.recv(2048)
            except BlockingIOError:
                return
            told = read_lldp(frame)
            if 1 in told and frame[6:12] != own:
                self.neighbours[port, told[1]] = (now_s + TTL_S, told)

    def _heard(self, ports: dict[str, int]) -> Rows:
        rows: Rows = {}
        for port in set(ports.values()):
            rows |= {(*LLDP_LOCAL, 2, port): ("integer", "5"), (*LLDP_LOCAL, 3, port): octets(f"p{port}")}
        for number, ((port, chassis), (_, told)) in enumerate(sorted(self.neighbours.items()), 1):
            for column, kind, value in (
                (4, "integer", str(chassis[0])),
                (5, "octet", chassis[1:].hex()),
                (6, "integer", str(told[2][0])),
                (7, "octet", told[2][1:].hex()),
                (9, "octet", told.get(5, b"").hex()),
            ):
                rows[*LLDP_REMOTE, column, 100, port, number] = (kind, value)
        return rows

    def _interfaces(self, links: list[dict[str, Any]], ports: dict[str, int], seed: dict[str, Any]) -> Rows:
        rows: Rows = {}
        legs: dict[int, list[dict[str, Any]]] = {port: [] for port in range(1, seed["sockets"] + 1)}
        for one in links:
            if one["ifname"] in ports:
                legs.setdefault(ports[one["ifname"]], []).append(one)
        for port, parts in legs.items():
            index = port + OFFSET
            up = any("LOWER_UP" in one["flags"] for one in parts)
            mbps = seed["rates"].get(str(port), 1000) if up else 0

            def total(way: str, what: str, parts: list[dict[str, Any]] = parts) -> int:
                return sum(int(one.get("stats64", {}).get(way, {}).get(what, 0)) for one in parts)

            rows |= {
                (*IF, 3, index): ("integer", "6"),
                (*IF, 5, index): ("gauge", str(mbps * 1_000_000)),
                (*IF, 6, index): ("octet", f"02ff00f000{port:02x}"),
                (*IF, 8, index): ("integer", "1" if up else "2"),
                (*IF, 13, index): ("counter", str(total("rx", "dropped"))),
                (*IF, 14, index): ("counter", str(total("rx", "errors"))),
                (*IF, 19, index): ("counter", str(total("tx", "dropped"))),
                (*IF, 20, index): ("counter", str(total("tx", "errors"))),
                (*IFX, 1, index): octets(f"p{port}"),
                (*IFX, 6, index): ("counter64", str(total("rx", "bytes"))),
                (*IFX, 7, index): ("counter64", str(total("rx", "packets"))),
                (*IFX, 10, index): ("counter64", str(total("tx", "bytes"))),
                (*IFX, 11, index): ("counter64", str(total("tx", "packets"))),
                (*IFX, 15, index): ("gauge", str(mbps)),
                (*IFX, 17, index): ("integer", "1"),
                (*IFX, 19, index): ("timeticks", "0"),
                (*BASE_PORT, port): ("integer", str(index)),
            }
            for column in (8, 9, 12, 13):
                rows[*IFX, column, index] = ("counter64", "0")
        return rows


def _tables(ports: dict[str, int], links: list[dict[str, Any]]) -> Rows:
    """Give the forwarding tables of the bridges, each as the table of a VLAN of its own."""
    rows: Rows = {}
    bridges = sorted({str(one["master"]) for one in links if one["ifname"] in ports and "master" in one})
    own = {one["address"] for one in links if one["ifname"] in bridges}
    for one in _ask("bridge", "-j", "fdb", "show"):
        bridge, port = one.get("master"), ports.get(one.get("ifname", ""))
        if bridge not in bridges or port is None or one.get("state") == "permanent":
            continue
        index = (bridges.index(bridge) + 1, *mac_index(one["mac"]))
        rows |= {
            (*Q_FDB, 2, *index): ("integer", str(port)),
            (*Q_FDB, 3, *index): ("integer", SELF if one["mac"] in own else LEARNED),
        }
    return rows


def _power(seed: dict[str, Any]) -> Rows:
    if not seed["rating"]:
        return {}
    rows: Rows = {
        (*POE_SUPPLY, 2, 1): ("gauge", str(seed["rating"])),
        (*POE_SUPPLY, 3, 1): ("integer", "1"),
        (*POE_SUPPLY, 4, 1): ("gauge", str(seed["watts"])),
    }
    for port in range(1, seed["sockets"] + 1):
        power_class = seed["classes"].get(str(port))
        rows |= {
            (*POE_PORT, 3, 1, port): ("integer", "1"),
            # RFC 3621: deliveringPower(3), searching(2); class0(1) to class4(5).
            (*POE_PORT, 6, 1, port): ("integer", "2" if power_class is None else "3"),
            (*POE_PORT, 10, 1, port): ("integer", "1" if power_class is None else str(power_class + 1)),
        }
    return rows


def main() -> None:
    """Go on until whoever started us ends us."""
    brain = Brain(Path(sys.argv[1]))
    while True:
        brain.round()
        time.sleep(EVERY_S)


if __name__ == "__main__":
    main()
