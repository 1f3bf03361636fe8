"""
A switch for the laboratory: a kernel bridge for each VLAN, in a namespace of its own, with an SNMP agent that tells of them.

    monitor --- p12 [ bridge home  ] p3 --- a guest's kernel
                    [              ] p1.home --.
                    [ bridge things] p1.things -+- one port, a leg for each VLAN: router, access point, another switch

The bridges learn, forward, age and count by themselves, and net-snmp's agent tells what the kernel says now (switch_brain.py). What a
veth pair has not is seeded: rates, watts, power classes. A port's VLAN is the bridge that it belongs to.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from ipaddress import IPv4Interface
from typing import TYPE_CHECKING, Any

from tests.lab.lan import Guest, LabError
from tests.observe.snmp import recording
from tests.observe.snmp.agent import OWN_TABLES, SUBTREES, program

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tests.lab.lan import Lab

READY_S = 20.0


class Switch:
    """
    One switch.

    Args:      folder of its own; vlans: names, the first is where its own address is; word: its community; rating: of its
               supply [W], 0 for none; classes: power class by port.
    """

    def __init__(
        self,
        lab: Lab,
        folder: Path,
        name: str,
        *,
        mac: str,
        address: str,
        vlans: Sequence[str],
        word: str,
        sockets: int,
        rating: int = 0,
        watts: int = 0,
        classes: Mapping[int, int] | None = None,
    ) -> None:
        self.lab = lab
        self.name = name
        self.folder = folder
        self.vlans = tuple(vlans)
        self.guest = Guest(lab)
        folder.mkdir()
        self._seed: dict[str, Any] = {
            "name": name,
            "mac": mac,
            "sockets": sockets,
            "rates": {},
            "rating": rating,
            "watts": watts,
            "classes": {str(port): power_class for port, power_class in (classes or {}).items()},
        }
        self.seed()
        bridges = [f"link add {vlan} address {mac} type bridge forward_delay 0 mcast_snooping 0" for vlan in vlans]
        ups = [f"link set {vlan} addrgenmode none up" for vlan in vlans]
        self.ip("link set lo up", *bridges, *ups, f"addr add {address} dev {vlans[0]}")
        self._start(IPv4Interface(address), word)

    def ip(self, *commands: str) -> None:
        """Run `ip` commands in the switch."""
        self.lab.ip(*commands, pid=self.guest.pid)

    def seed(self, **changes: Any) -> None:
        """Change what the kernel has not: rates {port: Mb/s}, watts, classes."""
        self._seed |= changes
        fresh = self.folder / "seed.new"
        fresh.write_text(json.dumps(self._seed))
        fresh.replace(self.folder / "seed")

    def _start(self, own: IPv4Interface, word: str) -> None:
        self.guest.popen([sys.executable, "-W", "error", "-m", "tests.lab.switch_brain", str(self.folder)])
        until = time.monotonic() + READY_S
        while not (self.folder / "rows").exists():
            if time.monotonic() > until:
                raise LabError(f"switch {self.name} learns nothing")
            time.sleep(0.02)
        helper = f"{sys.executable} {recording.__file__} {self.folder / 'rows'}"
        (self.folder / "conf").write_text(
            f"agentAddress udp:{own.ip}:161\nrocommunity {word} {own.network}\n"
            + "".join(f"pass_persist .{subtree} {helper}\n" for subtree in SUBTREES)
        )
        words = ["-f", "-C", "-c", str(self.folder / "conf"), "-Lf", str(self.folder / "log"), "-I", OWN_TABLES]
        environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(self.folder / "own"), "MIBS": ""}
        agent = self.guest.popen([program("snmpd"), *words], env=environment)
        ask = [program("snmpget"), "-v2c", "-c", word, "-t", "0.3", "-r", "0", str(own.ip), "1.3.6.1.2.1.1.3.0"]
        inside = self.lab.enter(self.guest.pid)
        while subprocess.run([*inside, *ask], capture_output=True, env=environment, check=False).returncode:
            if agent.poll() is not None or time.monotonic() > until:
                raise LabError(f"the agent of switch {self.name} did not come up: {(self.folder / 'log').read_text()}")
            time.sleep(0.05)

    def plug(self, port: str, vlan: str, pid: int, interface: str, mac: str, *addresses: str) -> None:
        """
        Connect `interface` in the namespace of process `pid` to a port, or a leg of one (`3`, `1.home`), of a VLAN.

        The interface gets this MAC and these addresses.
        """
        end = f"p{port}"
        self.ip(
            f"link add {end} type veth peer name {interface} netns {pid}",
            f"link set {end} addrgenmode none",
            f"link set {end} master {vlan} up",
        )
        self.lab.ip(
            f"link set {interface} address {mac}",
            # Longer than any burst a test sends.
            f"link set {interface} addrgenmode none txqueuelen 10000 up",
            *(f"addr add {address} dev {interface}" for address in addresses),
            pid=pid,
        )

    def host(self, port: str, vlan: str, mac: str, *addresses: str, gateway: str | None = None) -> Guest:
        """Plug in a host with the kernel's own stack."""
        guest = Guest(self.lab)
        self.plug(port, vlan, guest.pid, "eth0", mac, *addresses)
        more = (f"route add default via {gateway}",) if gateway else ()
        self.lab.ip("link set lo up", *more, pid=guest.pid)
        return guest

    def join(self, port: int, other: Switch, other_port: int) -> None:
        """Lay a cable to another switch, with a leg for each VLAN."""
        for vlan in self.vlans:
            self.ip(f"link add p{port}.{vlan} type veth peer name p{other_port}.{vlan} netns {other.guest.pid}")
            for switch, number in ((self, port), (other, other_port)):
                name = f"p{number}.{vlan}"
                switch.ip(f"link set {name} addrgenmode none", f"link set {name} master {vlan} up")

    def move(self, port: int, other: int) -> None:
        """Plug the cable to another switch, with its legs, into another port that is free."""
        for vlan in self.vlans:
            was, new = f"p{port}.{vlan}", f"p{other}.{vlan}"
            self.ip(f"link set {was} down", f"link set {was} name {new}", f"link set {new} up")

    def exchange(self, one: str, other: str) -> None:
        """Plug the cables of two ports into each other's."""
        pairs = ((one, "between"), (other, f"p{one}"), ("between", f"p{other}"))
        names = [(name if name == "between" else f"p{name}", new) for name, new in pairs]
        self.ip(
            *(f"link set p{name} down" for name in (one, other)),
            *(f"link set {old} name {new}" for old, new in names),
            *(f"link set p{name} up" for name in (one, other)),
        )
