"""
`netaudit accept` on a laboratory network: built as planned it passes; each of fourteen faults is caught by its own check alone.

Faults that have nothing to do with each other are looked at together: what fails must be the check and the place of each of them,
and nothing else. That one fault alone fails one check alone is shown on evidence, without a network, in audit/acceptance/.

Two switches made of kernel bridges with net-snmp agents (tests/lab/switch.py), a router and wired hosts with the kernel's own
stack, stations and the services of DHCP and DNS played from user space. What is seeded where:

    in the kernel's network   two patches exchanged, an uplink in another port of a switch, a host's port taken down, a router that
                              forwards between the segments, a port in the other VLAN's bridge, a host with another address
    in what the router says   an uplink in another port of the router (it speaks LLDP on its cable)
    by played hosts           an address claimed twice, a second DHCP server, a resolver without the site's names, 2 % of echoes
                              unanswered (this kernel has no netem), a stranger with a fixed address
    in a switch's agent       the rate of a link (a veth pair has none), the watts of a supply
    in beacons                the stations of a radio (no kernel here plays 802.11): written to a capture that the program's ear reads
                              as it grows
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.certificate import Certificate, read_certificate
from netaudit.audit.acceptance.check import Outcome, prepare
from netaudit.audit.acceptance.evidence import freeze, read_evidence
from netaudit.audit.acceptance.sockets import sockets
from netaudit.audit.moving.baseline import freeze_baseline
from netaudit.audit.moving.cutover import Stage, progress
from netaudit.capacity.patching import UPLINK
from netaudit.site.load import parse_site
from netaudit.wire.dot11 import encode_beacon
from netaudit.wire.elements import BssLoad
from netaudit.wire.link import RADIOTAP
from netaudit.wire.pcap import PcapWriter
from netaudit.wire.radiotap import encode_radiotap
from tests.lab.host import Host, Pool
from tests.lab.lan import MONITOR_MAC, Guest, Players
from tests.lab.switch import Switch
from tests.lab.switch_brain import lldp_frame

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from netaudit.audit.acceptance.evidence import Evidence
    from tests.lab.lan import Lab

WORD = "laboratory-word"
BSSID = "02:00:00:00:01:1a"
# Echoes each second: an honest test takes half an hour, and a laboratory has not that long. Its hosts share two processors with
# whatever else runs there, so it promises no quick answers; loss it does.
PLAN = """
[site]
name = "Laboratory"
[looking]
sweep_every = "2 s"
echo_every = "1 s"
gateway_every = "1 s"
pace = 1000
retries = 1
[closet.loft]
[segment.home]
network = "192.0.2.0/24"
gateway = "192.0.2.2"
pool = ["192.0.2.30", "192.0.2.60"]
interface = "seg0"
targets = { rtt_p95 = "200 ms", jitter = "100 ms" }
[segment.things]
network = "198.51.100.0/24"
gateway = "198.51.100.2"
pool = ["198.51.100.200", "198.51.100.250"]
interface = "seg1"
targets = { rtt_p95 = "200 ms", jitter = "100 ms" }
[services]
resolver = "192.0.2.5"
every = "10 s"
[isolation]
hosts = ["device:desk", "device:gate"]
[router]
port_names = ["lan1", "lan2", "lan3", "lan4"]
mac = ["02:00:00:00:01:02", "02:00:00:00:01:05", "02:00:00:00:02:05"]
[switch.pantry]
mac = "02:00:00:00:01:03"
ports = [{ count = 6, power = "type 2" }, { count = 6 }]
supply = "60 W"
snmp = { address = "192.0.2.3", community_env = "LAB_WORD", every = "10 s" }
[switch.loft]
mac = "02:00:00:00:01:04"
ports = 8
uplink = "switch:pantry"
snmp = { address = "192.0.2.4", community_env = "LAB_WORD", every = "10 s" }
[access_point.hall]
segment = "home"
switch = "pantry"
mac = "02:00:00:00:01:10"
bssids = ["02:00:00:00:01:1a"]
address = "192.0.2.10"
[[access_point.hall.radio]]
band = "2.4"
channel = 6
association_limit = 200
[ear.hall]
file = "AIR"
every = "10 s"
[device.desk]
kind = "desktop"
segment = "home"
switch = "loft"
mac = ["02:00:00:00:01:20"]
address = "192.0.2.20"
hostname = "desk.lab.home.arpa"
[device.printer]
kind = "printer"
segment = "home"
switch = "loft"
mac = ["02:00:00:00:01:21"]
[device.gate]
kind = "camera"
segment = "things"
switch = "pantry"
mac = ["02:00:00:00:02:10"]
address = "198.51.100.10"
[device.kiln]
kind = "controller"
segment = "things"
switch = "loft"
mac = ["02:00:00:00:02:11"]
[device.meters]
kind = "plug"
count = 150
segment = "things"
address = "198.51.100.50"
[device.lamps]
kind = "light"
count = 60
segment = "home"
address = "192.0.2.100"
[recorder.vault]
segment = "things"
switch = "pantry"
mac = "02:00:00:00:02:12"
address = "198.51.100.12"
"""
ROUTER, DHCP_HOME, DHCP_THINGS = "02:00:00:00:01:02", "02:00:00:00:01:05", "02:00:00:00:02:05"
HOME_SERVER = Host(
    DHCP_HOME,
    "192.0.2.5",
    delay_s=0.001,
    zone=(("desk.lab.home.arpa", "192.0.2.20"),),
    pool=Pool("192.0.2.41", 10, "255.255.255.0", router="192.0.2.2"),
)
THINGS_SERVER = Host(
    DHCP_THINGS,
    "198.51.100.5",
    delay_s=0.001,
    pool=Pool("198.51.100.201", 10, "255.255.255.0", router="198.51.100.2"),
)
POINT = Host("02:00:00:00:01:10", "192.0.2.10", delay_s=0.001)
LAMPS = [Host(f"02:00:00:00:04:{n:02x}", f"192.0.2.{100 + n}", delay_s=0.002) for n in range(60)]
METERS = [Host(f"02:00:00:00:03:{n:02x}", f"198.51.100.{50 + n}", delay_s=0.002) for n in range(150)]
STRANGER = Host("02:00:00:00:09:99", delay_s=0.002)
# What the camera and the access point take of a supply of 60 W, of which 48 may be used.
WATTS, TOO_MANY_WATTS = 20, 57
STATIONS, TOO_MANY_STATIONS = 160, 161
FREE_PORT = 10
SECONDS = 7.0
LONG_AGO = datetime(2026, 5, 4, tzinfo=UTC)


class Air(threading.Thread):
    """The access point's beacons, twice a second into a capture, with the stations that it says it has."""

    def __init__(self, file: Path) -> None:
        super().__init__(daemon=True)
        self.file = file
        self.stations = STATIONS
        self.over = threading.Event()
        with file.open("wb") as stream:
            PcapWriter(stream, RADIOTAP)
        self.head = file.read_bytes()

    def run(self) -> None:
        """Write each record in one go, so that no reader finds half of one."""
        while not self.over.wait(0.5):
            load = BssLoad(stations=self.stations, busy_raw=30, admission_capacity=0)
            frame = encode_beacon(bytes.fromhex(BSSID.replace(":", "")), "lab", 6, bss_load=load)
            record = encode_radiotap(2437, -45) + frame
            at_ns = time.time_ns()
            stamp = (at_ns // 10**9, at_ns % 10**9, len(record), len(record))
            with self.file.open("ab", buffering=0) as stream:
                stream.write(b"".join(value.to_bytes(4, "little") for value in stamp) + record)


SPEAKER = """
import socket, sys, time
sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
sock.bind(("lan0", 0))
while True:
    sock.send(bytes.fromhex(sys.argv[1]))
    time.sleep(0.4)
"""


class House:
    """The laboratory built as the plan has it."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab = lab
        self.folder = folder
        self.air = Air(folder / "air.pcap")
        self.speaker: subprocess.Popen[str] | None = None
        self.plan = folder / "site.toml"
        self.plan.write_text(PLAN.replace("AIR", str(self.air.file)))
        self.site = parse_site(self.plan.read_text())
        trial = prepare(self.site, freeze((), LONG_AGO, LONG_AGO))
        self.ports = {(one.patch.switch, one.refs): int(one.place.rpartition(":")[2]) for one in sockets(trial)}
        classes = {
            int(one.place.rpartition(":")[2]): one.patch.plug.power_class
            for one in sockets(trial)
            if one.patch.switch == "pantry" and one.patch.plug.power_class is not None
        }
        vlans = ("home", "things")
        self.pantry = Switch(
            lab,
            folder / "pantry",
            "pantry",
            mac="02:00:00:00:01:03",
            address="192.0.2.3/24",
            vlans=vlans,
            word=WORD,
            sockets=12,
            rating=60,
            watts=WATTS,
            classes=classes,
        )
        self.loft = Switch(
            lab,
            folder / "loft",
            "loft",
            mac="02:00:00:00:01:04",
            address="192.0.2.4/24",
            vlans=vlans,
            word=WORD,
            sockets=8,
        )
        self._wire()
        self.air.start()

    def _wire(self) -> None:
        lab, pantry, loft, port = self.lab, self.pantry, self.loft, self.ports
        monitor = lab.pid
        pantry.plug("11", "home", monitor, "seg0", MONITOR_MAC.format(1), "192.0.2.1/24")
        pantry.plug("12", "things", monitor, "seg1", MONITOR_MAC.format(2), "198.51.100.1/24")
        pantry.join(port["pantry", "switch:loft"], loft, port["loft", UPLINK])
        up = port["pantry", UPLINK]
        self.router = Guest(lab)
        pantry.plug(f"{up}.home", "home", self.router.pid, "lan0", ROUTER, "192.0.2.2/24")
        pantry.plug(f"{up}.things", "things", self.router.pid, "lan1", ROUTER, "198.51.100.2/24")
        self.speak(f"lan{port['router', 'switch:pantry']}")
        self.forward(allowed=False)
        hall = port["pantry", "access_point:hall"]
        self.home_services = self._played(f"{up}.lease0", "home", [HOME_SERVER])
        self.things_services = self._played(f"{up}.lease1", "things", [THINGS_SERVER])
        self.home = self._played(f"{hall}.home", "home", [POINT, *LAMPS])
        self.things = self._played(f"{hall}.things", "things", METERS)
        desk, printer, kiln = (str(port["loft", f"device:{name}"]) for name in ("desk", "printer", "kiln"))
        gate, vault = str(port["pantry", "device:gate"]), str(port["pantry", "recorder:vault"])
        self.desk_port, self.printer_port, self.kiln_port, self.gate_port = desk, printer, kiln, gate
        loft.host(desk, "home", "02:00:00:00:01:20", "192.0.2.20/24", gateway="192.0.2.2")
        loft.host(printer, "home", "02:00:00:00:01:21", "192.0.2.45/24")
        self.kiln = loft.host(kiln, "things", "02:00:00:00:02:11", "198.51.100.211/24")
        self.gate = pantry.host(gate, "things", "02:00:00:00:02:10", "198.51.100.10/24", gateway="198.51.100.2")
        pantry.host(vault, "things", "02:00:00:00:02:12", "198.51.100.12/24")

    def _played(self, port: str, vlan: str, hosts: list[Host]) -> Players:
        players = Players(self.lab, f"port {port}")
        self.pantry.plug(port, vlan, players.pid, "lan", f"02:ff:00:00:01:{len(self.lab.players):02x}")
        players.attach("lan")
        players.set(*hosts)
        return players

    def speak(self, port: str) -> None:
        """Let the router say on its cable that this is the port, and no other any more."""
        if self.speaker is not None:
            self.speaker.kill()
            self.speaker.wait()
        words = [sys.executable, "-c", SPEAKER, lldp_frame(bytes.fromhex(ROUTER.replace(":", "")), port, "edge").hex()]
        self.speaker = self.router.popen(words)

    def forward(self, *, allowed: bool) -> None:
        """Let the router forward between its segments, or not."""
        word = f"echo {int(allowed)} >/proc/sys/net/ipv4/ip_forward"
        self.lab.run(["sh", "-c", word], pid=self.router.pid)

    def address(self, guest: Guest, address: str) -> None:
        """Give a host another address, as its own server would."""
        self.lab.ip("addr flush dev eth0", f"addr add {address} dev eth0", pid=guest.pid)

    def accept(
        self, seconds: float, *more: str, at_half_time: Callable[[], None] = lambda: None, **secrets: str
    ) -> tuple[Certificate, Path]:
        """Run the command; gives the certificate that it wrote, and the folder. It is told by a line when half of the time is over."""
        out = self.folder / f"out{time.monotonic_ns()}"
        words = [sys.executable, "-W", "error", "-m", "netaudit", "accept", str(self.plan), "--json"]
        said = ""
        with (self.folder / "said").open("w+b") as stdout:
            process = self.lab.popen(
                [*words, "--for", f"{seconds:g}s", "--out", str(out), *more],
                env={**os.environ, "LAB_WORD": WORD, **secrets},
                stdin=subprocess.DEVNULL,
                stdout=stdout,
                stderr=subprocess.PIPE,
                text=True,
            )
            for line in process.stderr or ():
                said += line
                if line.startswith("now switch off and on again"):
                    at_half_time()
            assert process.wait(40) in (0, 1), said
        certificate = read_certificate((out / "certificate.json").read_text())
        assert json.loads((self.folder / "said").read_text()) == json.loads((out / "certificate.json").read_text())
        assert process.returncode == (0 if certificate.accepted else 1)
        return certificate, out


def failed(certificate: Certificate) -> list[str]:
    """Give the keys of the checks that failed, with what was seen for a test that is surprised."""
    return [result.key for result in certificate.results if result.outcome is Outcome.FAILED]


@contextmanager
def built(lab: Lab, folder: Path) -> Iterator[House]:
    """Build the house; its beacons end with the block."""
    house = House(lab, folder)
    try:
        yield house
    finally:
        house.air.over.set()
        house.air.join()


Fault = Callable[[House], AbstractContextManager[None]]


@contextmanager
def two_patches_exchanged(house: House) -> Iterator[None]:
    """The kernel: the cables of desk and printer are in each other's port of the loft's switch."""
    house.loft.exchange(house.desk_port, house.printer_port)
    yield
    house.loft.exchange(house.desk_port, house.printer_port)


@contextmanager
def an_uplink_on_another_port(house: House) -> Iterator[None]:
    """The kernel: the cable to the loft's switch is in a free port of the pantry's."""
    planned, free = house.ports["pantry", "switch:loft"], FREE_PORT
    house.pantry.move(planned, free)
    yield
    house.pantry.move(free, planned)


@contextmanager
def an_uplink_on_another_port_of_the_router(house: House) -> Iterator[None]:
    """LLDP: the router says on the pantry's cable that this is its fourth port."""
    house.speak("lan4")
    yield
    house.speak(f"lan{house.ports['router', 'switch:pantry']}")


@contextmanager
def a_device_missing(house: House) -> Iterator[None]:
    """The kernel: the gate camera's port is down."""
    house.pantry.ip(f"link set p{house.gate_port} down")
    yield
    house.pantry.ip(f"link set p{house.gate_port} up")


@contextmanager
def an_address_used_twice(house: House) -> Iterator[None]:
    """Played: a stranger behind the access point answers for the desk's address, as the desk's kernel does."""
    with there(house.home, STRANGER.but(address="192.0.2.20")):
        yield


@contextmanager
def a_second_dhcp_server(house: House) -> Iterator[None]:
    """Played: a stranger behind the access point leases addresses too."""
    with there(house.home, STRANGER.but(address="192.0.2.33", pool=Pool("192.0.2.50", 5, "255.255.255.0"))):
        yield


@contextmanager
def segments_that_leak(house: House) -> Iterator[None]:
    """The kernel: the router forwards between the segments."""
    house.forward(allowed=True)
    yield
    house.forward(allowed=False)


@contextmanager
def two_percent_loss(house: House) -> Iterator[None]:
    """Played: the meters leave 2 % of the echoes unanswered, where 1 % is promised."""
    house.things.set(*(host.but(loss=0.02) for host in METERS))
    yield
    house.things.set(*METERS)


@contextmanager
def a_slow_link(house: House) -> Iterator[None]:
    """The agent: the desk's link runs at 100 Mb/s."""
    house.loft.seed(rates={house.desk_port: 100})
    yield
    house.loft.seed(rates={})


@contextmanager
def a_wrong_resolver(house: House) -> Iterator[None]:
    """Played: the resolver doesn't know the site's names."""
    house.home_services.set(HOME_SERVER.but(zone=(("elsewhere.home.arpa", "192.0.2.9"),)))
    yield
    house.home_services.set(HOME_SERVER)


@contextmanager
def a_supply_over_its_ceiling(house: House) -> Iterator[None]:
    """The agent: the supply of 60 W delivers 57, where 48 may be used."""
    house.pantry.seed(watts=TOO_MANY_WATTS)
    yield
    house.pantry.seed(watts=WATTS)


@contextmanager
def a_port_in_the_wrong_vlan(house: House) -> Iterator[None]:
    """The kernel: the kiln's port belongs to the home's bridge, and the kiln has an address from there."""
    house.loft.ip(f"link set p{house.kiln_port} master home")
    house.address(house.kiln, "192.0.2.47/24")
    yield
    house.address(house.kiln, "198.51.100.211/24")
    house.loft.ip(f"link set p{house.kiln_port} master things")


@contextmanager
def an_overloaded_radio(house: House) -> Iterator[None]:
    """Beacons: one station more than may be used of those that the radio admits."""
    house.air.stations = TOO_MANY_STATIONS
    time.sleep(0.6)
    yield
    house.air.stations = STATIONS


@contextmanager
def a_fixed_address_taken(house: House) -> Iterator[None]:
    """The kernel: the gate camera gave way to another address; played: a stranger behind the access point has its own."""
    house.address(house.gate, "198.51.100.231/24")
    with there(house.things, STRANGER.but(address="198.51.100.10")):
        yield
    house.address(house.gate, "198.51.100.10/24")


@contextmanager
def there(players: Players, host: Host) -> Iterator[None]:
    """Let somebody be there for a while."""
    players.set(host)
    yield
    players.remove(host)


# Each stretch of looking [s]: its faults, each with the check that must fail and where. No two of a stretch have a place, a cable or
# an address in common. Three thousand echoes tell 2 % of loss from 1 %: what needs no more than a moment is looked at meanwhile.
STRETCHES: list[tuple[float, list[tuple[Fault, str, set[str]]]]] = [
    (
        20,
        [
            (two_percent_loss, "loss", {"segment:things"}),
            (an_uplink_on_another_port_of_the_router, "uplinks", {"link:switch/pantry"}),
            (a_slow_link, "speed", {"switch:loft/port:DESK"}),
            (a_supply_over_its_ceiling, "power", {"switch:pantry"}),
            (an_overloaded_radio, "stations", {"radio:hall/2.4"}),
            (a_second_dhcp_server, "dhcp", {"segment:home"}),
        ],
    ),
    (
        6,
        [
            (segments_that_leak, "isolation", {"segment:home->things", "segment:things->home"}),
            (a_port_in_the_wrong_vlan, "segments", {"device:kiln"}),
        ],
    ),
    (
        6,
        [
            (two_patches_exchanged, "patching", {"device:desk", "device:printer"}),
            (a_wrong_resolver, "names", {"device:desk"}),
            (a_fixed_address_taken, "fixed", {"device:gate"}),
        ],
    ),
    (
        6,
        [
            (an_uplink_on_another_port, "uplinks", {"link:switch/loft"}),
            (an_address_used_twice, "duplicates", {"address:192.0.2.20"}),
            (a_device_missing, "presence", {"device:gate"}),
        ],
    ),
]


@pytest.mark.timeout(200)
def test_built_as_planned_it_passes_and_each_seeded_fault_is_caught_alone(lab: Lab, tmp_path: Path) -> None:
    """One network, faults made and mended; after each stretch the right check fails at the place of each fault, and nothing else."""
    with built(lab, tmp_path) as house:
        certificate, out = house.accept(SECONDS)
        assert failed(certificate) == [], list(certificate.items(Outcome.FAILED))
        # What nothing here can tell: the world outside and a restart.
        untested = {result.key for result in certificate.results if result.outcome is Outcome.NOT_TESTED}
        assert untested == {"outside", "restart"}, list(certificate.items(Outcome.NOT_TESTED))
        evidence = _evidence(out)
        # What a switch tells rarely is asked again and again in a short test.
        assert sum(one.kind == vocabulary.POWER_W for one in evidence.samples) >= 3
        baseline = freeze_baseline("as built", house.site, evidence, source="looking")
        moves: dict[str, dict[Stage, list[str]]] = {}
        for seconds, faults in STRETCHES:
            with ExitStack() as seeded:
                for fault, _, _ in faults:
                    seeded.enter_context(fault(house))
                certificate, out = house.accept(seconds)
            found = {
                (result.key, item.place.replace(f"loft/port:{house.desk_port}", "loft/port:DESK"))
                for result, item in certificate.items(Outcome.FAILED)
            }
            assert found == {(key, place) for _, key, places in faults for place in places}, list(
                certificate.items(Outcome.FAILED)
            )
            rows = progress(baseline, house.site, _evidence(out)).rows
            stages = {stage: [row.title for row in rows if row.stage is stage] for stage in Stage}
            moves.update((key, stages) for _, key, _ in faults)
        # A move that is looked at meanwhile says who is not back, and who is on another segment.
        assert moves["presence"][Stage.MISSING] == ["gate"]
        assert moves["segments"][Stage.ELSEWHERE] == ["kiln"]


def _evidence(out: Path) -> Evidence:
    return read_evidence((out / "evidence.json").read_text())


RECEIVER = """
import http.server, sys
class Handler(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        print(self.rfile.read(int(self.headers["Content-Length"])).decode(), flush=True)
        self.send_response(200); self.send_header("Content-Length", "0"); self.end_headers()
    def log_message(self, *_):
        pass
server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
print(server.server_address[1], flush=True)
server.serve_forever()
"""


@pytest.mark.timeout(120)
def test_a_restart_that_not_all_survive_and_an_alert_that_arrives(lab: Lab, tmp_path: Path) -> None:
    """
    At half time the loft's switch loses all links and gets them back but the kiln's: only the restart fails, and names the kiln
    alone. A test message is sent before the look, and arrives; the certificate holds.
    """
    with built(lab, tmp_path) as house:
        house.plan.write_text(house.plan.read_text() + '[alert.phone]\nurl_env = "LAB_PHONE"\n')
        receiver = lab.popen([sys.executable, "-c", RECEIVER], stdout=subprocess.PIPE, text=True)
        assert receiver.stdout is not None
        port = int(receiver.stdout.readline())

        def restart() -> None:
            links = [f"p{house.ports['loft', UPLINK]}.{vlan}" for vlan in house.loft.vlans]
            links += [f"p{number}" for number in (house.desk_port, house.printer_port)]
            house.loft.ip(*(f"link set {link} down" for link in (*links, f"p{house.kiln_port}")))
            time.sleep(1.0)
            house.loft.ip(*(f"link set {link} up" for link in links))

        certificate, out = house.accept(
            12.0,
            *("--restart", "the loft's switch", "--send-alert", "--alert-seen", "phone=R. Marsh"),
            at_half_time=restart,
            LAB_PHONE=f"json://127.0.0.1:{port}/",
        )
        found = {result.key: result for result in certificate.results}
        assert failed(certificate) == ["restart"], list(certificate.items(Outcome.FAILED))
        assert found["restart"].items[0].evidence.endswith("after the restart: device kiln")
        assert found["alerts"].items[0].evidence == "a test message arrived, seen by R. Marsh"
        assert json.loads(receiver.stdout.readline())["title"] == "Laboratory: this channel works"
        words = [sys.executable, "-m", "netaudit", "accept", str(house.plan), "--verify"]
        assert "holds" in lab.run([*words, str(out / "certificate.json")]).stdout
