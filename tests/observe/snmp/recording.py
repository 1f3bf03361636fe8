"""
What the tests' switch says: an invented switch of ten sockets as rows of (OID, type, value), and how to change it.

Two files for one thing: the agent's helper program reads the rows from a text file, a row a line (`OID type value`, octets
in hexadecimal), again whenever the file has changed. This module runs as that program too (the protocol of net-snmp's
`pass_persist`, snmpd.conf(5)).
"""

from __future__ import annotations

import bisect
import sys
from pathlib import Path

Oid = tuple[int, ...]
Rows = dict[Oid, tuple[str, str]]

IF = (1, 3, 6, 1, 2, 1, 2, 2, 1)
IFX = (1, 3, 6, 1, 2, 1, 31, 1, 1, 1)
BASE_PORT = (1, 3, 6, 1, 2, 1, 17, 1, 4, 1, 2)
Q_FDB = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1)
LLDP_LOCAL = (1, 0, 8802, 1, 1, 2, 1, 3, 7, 1)
LLDP_REMOTE = (1, 0, 8802, 1, 1, 2, 1, 4, 1, 1)
POE_PORT = (1, 3, 6, 1, 2, 1, 105, 1, 1, 1)
POE_SUPPLY = (1, 3, 6, 1, 2, 1, 105, 1, 3, 1, 1)
ENTITY = (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1)
SYSTEM = (1, 3, 6, 1, 2, 1, 1)
UPTIME = (*SYSTEM, 3, 0)

SOCKETS = 10
# ifIndex is the bridge port plus this, so that whoever takes one for the other is found out.
OFFSET = 100
ROUTER_MAC = "02:00:00:00:0a:01"
POINT_MAC = "02:00:00:00:0a:10"
STATION_MACS = [f"02:00:00:00:0b:{number:02x}" for number in range(12)]
DESK_MAC = "02:00:00:00:0a:20"
UPLINK, POINT_PORT, DESK_PORT = 10, 3, 5


def octets(text: str) -> tuple[str, str]:
    """Write text as octets."""
    return "octet", text.encode().hex()


def mac_index(mac: str) -> Oid:
    """Write a MAC as the tail of an index."""
    return tuple(bytes.fromhex(mac.replace(":", "")))


def a_switch(*, ticks: int = 360_000, firmware: str = "Invented OS 4.2", point_mac: str = POINT_MAC) -> Rows:
    """Give the rows of a switch with its uplink in 10, an access point in 3 (feeding it) and a desk in 5."""
    rows: Rows = {
        (*SYSTEM, 1, 0): octets("Invented switch, 10 sockets"),
        UPTIME: ("timeticks", str(ticks)),
        (*SYSTEM, 5, 0): octets("shelf"),
        (*ENTITY, 5, 1): ("integer", "3"),
        (*ENTITY, 10, 1): octets(firmware),
        (*LLDP_REMOTE, 4, 900, UPLINK, 1): ("integer", "4"),
        (*LLDP_REMOTE, 5, 900, UPLINK, 1): ("octet", ROUTER_MAC.replace(":", "")),
        (*LLDP_REMOTE, 6, 900, UPLINK, 1): ("integer", "5"),
        (*LLDP_REMOTE, 7, 900, UPLINK, 1): octets("lan1"),
        (*LLDP_REMOTE, 9, 900, UPLINK, 1): octets("gate"),
        (*POE_SUPPLY, 2, 1): ("gauge", "65"),
        (*POE_SUPPLY, 3, 1): ("integer", "1"),
        (*POE_SUPPLY, 4, 1): ("gauge", "11"),
    }
    for port in range(1, SOCKETS + 1):
        index, up = port + OFFSET, port in (UPLINK, POINT_PORT, DESK_PORT)
        rows |= {
            (*IF, 3, index): ("integer", "6"),
            (*IF, 5, index): ("gauge", "1000000000" if up else "0"),
            (*IF, 6, index): ("octet", f"0200000f00{port:02x}"),
            (*IF, 8, index): ("integer", "1" if up else "2"),
            (*IF, 10, index): ("counter", "1000"),
            (*IF, 13, index): ("counter", "0"),
            (*IF, 14, index): ("counter", "0"),
            (*IF, 16, index): ("counter", "2000"),
            (*IF, 19, index): ("counter", "0"),
            (*IF, 20, index): ("counter", "0"),
            (*IFX, 1, index): octets(f"ge{port}"),
            (*IFX, 15, index): ("gauge", "1000" if up else "0"),
            (*IFX, 17, index): ("integer", "1"),
            (*IFX, 19, index): ("timeticks", "0"),
            (*BASE_PORT, port): ("integer", str(index)),
            (*LLDP_LOCAL, 2, port): ("integer", "5"),
            (*LLDP_LOCAL, 3, port): octets(f"ge{port}"),
            (*POE_PORT, 3, 1, port): ("integer", "1"),
            (*POE_PORT, 6, 1, port): ("integer", "3" if port == POINT_PORT else "2"),
            (*POE_PORT, 10, 1, port): ("integer", "5"),
        }
        for column in range(6, 14):
            rows[(*IFX, column, index)] = ("counter64", str(10**12))
    # The switch's own processor shows up as an Ethernet port without a socket, and each VLAN as an interface.
    for index, kind, connector in ((1, 6, 2), (2, 136, 2)):
        rows |= {
            (*IF, 3, index): ("integer", str(kind)),
            (*IF, 8, index): ("integer", "1"),
            (*IFX, 17, index): ("integer", str(connector)),
        }
    learnt = {ROUTER_MAC: UPLINK, point_mac: POINT_PORT, DESK_MAC: DESK_PORT}
    learnt |= dict.fromkeys(STATION_MACS, POINT_PORT)
    for mac, port in learnt.items():
        rows |= {
            (*Q_FDB, 2, 7, *mac_index(mac)): ("integer", str(port)),
            (*Q_FDB, 3, 7, *mac_index(mac)): ("integer", "3"),
        }
    own = mac_index("02:00:00:00:0f:00")
    rows |= {(*Q_FDB, 2, 7, *own): ("integer", "1"), (*Q_FDB, 3, 7, *own): ("integer", "4")}
    return rows


def values(rows: Rows) -> dict[Oid, int | bytes | str]:
    """Give the rows as a client gives them."""
    return {oid: bytes.fromhex(value) if kind == "octet" else int(value) for oid, (kind, value) in rows.items()}


def write(rows: Rows, file: Path) -> None:
    """Write the rows where the agent's helper reads them; all at once, so that it never reads half."""
    fresh = file.with_suffix(".new")
    fresh.write_text(
        "".join(f"{'.'.join(map(str, oid))} {kind} {value}\n" for oid, (kind, value) in rows.items()), encoding="ascii"
    )
    fresh.replace(file)


def _read(file: Path) -> tuple[list[Oid], Rows]:
    rows: Rows = {}
    for line in file.read_text(encoding="ascii").splitlines():
        oid, kind, value = line.split(" ", 2)
        rows[tuple(map(int, oid.split(".")))] = (kind, value)
    return sorted(rows), rows


def _serve(file: Path) -> None:
    """Answer net-snmp's questions until its end of the pipe closes."""
    stamp, ordered, rows = -1, list[Oid](), Rows()
    for line in sys.stdin:
        question = line.strip()
        if question == "PING":
            print("PONG", flush=True)
            continue
        oid = tuple(int(part) for part in sys.stdin.readline().strip().strip(".").split("."))
        now = file.stat().st_mtime_ns
        if now != stamp:
            stamp, (ordered, rows) = now, _read(file)
        if question == "getnext":
            place = bisect.bisect_right(ordered, oid)
            oid = ordered[place] if place < len(ordered) else ()
        if oid not in rows:
            print("NONE", flush=True)
            continue
        kind, value = rows[oid]
        shown = " ".join(value[at : at + 2] for at in range(0, len(value), 2)) if kind == "octet" else value
        print(f".{'.'.join(map(str, oid))}\n{kind}\n{shown}", flush=True)


if __name__ == "__main__":
    _serve(Path(sys.argv[1]))
