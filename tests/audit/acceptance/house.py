"""A small invented site, and what would be seen there if it were built as planned; a fault is a change of what is seen."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.certificate import certify
from netaudit.audit.acceptance.check import prepare
from netaudit.audit.acceptance.evidence import freeze, write_evidence
from netaudit.audit.acceptance.sockets import sockets
from netaudit.audit.sealed import digest
from netaudit.capacity.patching import UPLINK
from netaudit.observe.observation import Health, How, Notice, Observation, Sample, Sighting
from netaudit.site.load import fingerprint, parse_site

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from netaudit.audit.acceptance.certificate import Certificate
    from netaudit.site.model import Site

T = TypeVar("T", Sighting, Sample, Notice)
BEGAN = datetime(2026, 5, 4, 20, 0, tzinfo=UTC)
ENDED = BEGAN + timedelta(minutes=30)

PLAN = """
[site]
name = "Osier House"
time_zone = "Europe/Lisbon"
[isolation]
hosts = ["device:desk", "device:gate"]
[alert.mail]
url_env = "OSIER_MAIL"
[closet.loft]
[room.hall]
closet = "loft"
[room.study]
closet = "loft"
[segment.home]
network = "192.0.2.0/24"
gateway = "192.0.2.1"
pool = ["192.0.2.100", "192.0.2.199"]
may_reach = ["things"]
[segment.things]
network = "198.51.100.0/24"
gateway = "198.51.100.1"
pool = ["198.51.100.100", "198.51.100.199"]
[router]
port_names = ["lan 1", "lan 2", "lan 3", "lan 4"]
[switch.loft]
closet = "loft"
ports = [{ count = 16, power = "type 2" }]
supply = "60 W"
[access_point.hall]
at = "hall"
switch = "loft"
segment = "home"
mac = "00:00:5e:00:53:a1"
address = "192.0.2.11"
[[access_point.hall.radio]]
band = "2.4"
association_limit = 20
[recorder.vault]
closet = "loft"
segment = "things"
mac = "00:00:5e:00:53:b1"
address = "198.51.100.10"
[device.desk]
kind = "desktop"
segment = "home"
at = "study"
mac = ["00:00:5e:00:53:01"]
address = "192.0.2.21"
hostname = "desk.osier.home.arpa"
label = "The desk in the study"
[device.box]
kind = "server"
segment = "home"
at = "study"
mac = ["00:00:5e:00:53:02"]
[device.gate]
kind = "camera"
segment = "things"
at = "hall"
mac = ["00:00:5e:00:53:03"]
address = "198.51.100.21"
needs = "press its button for ten seconds"
[device.kiln]
kind = "controller"
segment = "things"
at = "hall"
mac = ["00:00:5e:00:53:04"]
[device.phone]
kind = "phone"
segment = "home"
mac = ["00:00:5e:00:53:05"]
may_be_absent = true
[device.plugs]
kind = "plug"
count = 3
segment = "things"
mac = ["02:00:5e:00:53:00", "02:00:5e:00:53:01", "02:00:5e:00:53:02"]
"""

DESK, BOX, GATE, KILN = (f"00:00:5e:00:53:0{number}" for number in range(1, 5))
POINT, VAULT = "00:00:5e:00:53:a1", "00:00:5e:00:53:b1"
ROUTER = "00:00:5e:00:53:f1"
STRANGER = "00:00:5e:00:53:ee"
HOME = {ROUTER: "192.0.2.1", POINT: "192.0.2.11", DESK: "192.0.2.21", BOX: "192.0.2.100"}
THINGS = {
    ROUTER: "198.51.100.1",
    VAULT: "198.51.100.10",
    GATE: "198.51.100.21",
    KILN: "198.51.100.101",
    **{f"02:00:5e:00:53:0{number}": f"198.51.100.11{number}" for number in range(3)},
}
WIRED = {
    "device:desk": DESK,
    "device:box": BOX,
    "device:gate": GATE,
    "device:kiln": KILN,
    "access_point:hall": POINT,
    "recorder:vault": VAULT,
}


@cache
def house() -> Site:
    """Give the plan."""
    return parse_site(PLAN)


def notice(place: str, kind: str, **detail: str) -> Notice:
    """Give a notice in the middle of the test."""
    return Notice(BEGAN + timedelta(minutes=15), place, kind, tuple(sorted(detail.items())))


def at(minutes: float) -> datetime:
    """Give a moment of the test."""
    return BEGAN + timedelta(minutes=minutes)


def echoes(place: str, dice: random.Random, *, loss: float = 0.0, count: int = 900) -> list[Sample]:
    """Give half an hour of echoes, one each two seconds, a millisecond long or so."""
    return [
        Sample(at(index / 30), place, "rtt_s", None if dice.random() < loss else 0.001 + 0.0005 * dice.random())
        for index in range(count)
    ]


def port_of(ref: str) -> str:
    """Give the port that the schedule gives a thing."""
    trial = prepare(house(), freeze((), BEGAN, ENDED))
    return next(socket.place for socket in sockets(trial) if socket.refs == ref)


def as_planned() -> list[Observation]:
    """Give what is seen of the site when it is built as planned."""
    dice = random.Random(5)
    trial = prepare(house(), freeze((), BEGAN, ENDED))
    seen: list[Observation] = []
    for segment, hosts in (("home", HOME), ("things", THINGS)):
        seen.append(Health(at(0), f"sweep:{segment}", good=True, reason=""))
        seen.append(Health(at(0), f"dhcp:{segment}", good=True, reason=""))
        for minutes in (0, 10, 29):
            seen += [Sighting(at(minutes), segment, mac, address, How.ARP) for mac, address in hosts.items()]
        for mac in hosts:
            seen += echoes(f"segment:{segment}/gateway" if mac == ROUTER else f"device:{mac}", dice)
    seen.append(notice("segment:home", vocabulary.DHCP_SERVER, server="192.0.2.1", mac=ROUTER, address="192.0.2.150"))
    seen.append(
        notice("segment:things", vocabulary.DHCP_SERVER, server="198.51.100.1", mac=ROUTER, address="198.51.100.150")
    )
    seen.append(notice("device:desk", vocabulary.RESOLVED, name="desk.osier.home.arpa", address="192.0.2.21"))
    for segment in ("home", "things"):
        seen.append(Sample(at(20), f"segment:{segment}", vocabulary.ISOLATION_BREACHES, 0.0))
    for socket in sockets(trial):
        if socket.patch.switch == "router":
            # It is asked by nobody; the switch tells of it.
            continue
        rate = min(trial.patching.groups["loft"][0].rate_bps, socket.patch.plug.rate_bps)
        for minutes in (1, 20):
            seen.append(Sample(at(minutes), socket.place, vocabulary.SPEED_BPS, rate))
            seen.append(Sample(at(minutes), socket.place, vocabulary.ERRORS, 0.0))
        if socket.refs == UPLINK:
            seen.append(notice(socket.place, vocabulary.FORWARDING, mac=ROUTER))
            seen.append(notice(socket.place, vocabulary.LLDP_NEIGHBOUR, chassis=ROUTER, name="edge", port="LAN 1"))
        if socket.refs in WIRED:
            seen.append(notice(socket.place, vocabulary.FORWARDING, mac=WIRED[socket.refs]))
        if socket.patch.plug.power_class is not None:
            seen.append(Sample(at(1), socket.place, words.POWER_CLASS, float(socket.patch.plug.power_class)))
    for minutes in range(30):
        seen.append(Sample(at(minutes), "switch:loft", vocabulary.POWER_W, 22.5))
        seen.append(Sample(at(minutes), "radio:hall/2.4", vocabulary.STATIONS, 4.0))
        seen.append(Sample(at(minutes), "radio:hall/2.4", vocabulary.BUSY_SHARE, 0.2))
        seen.append(Sample(at(minutes), "link:wan", vocabulary.OUTSIDE_SHARE, 1.0))
    seen.append(notice("site", words.RESTART, what="the switch in the loft"))
    seen.append(notice("alert:mail", words.ALERT, arrived="yes", by="R. Marsh"))
    return seen


def judged(seen: Iterable[Observation], *, site: Site | None = None) -> Certificate:
    """Judge what was seen."""
    evidence = freeze(seen, BEGAN, ENDED)
    return certify(
        site or house(),
        evidence,
        plan_sha256=fingerprint(PLAN),
        evidence_sha256=digest(write_evidence(evidence)),
    )


def without(seen: Iterable[Observation], mac: str) -> list[Observation]:
    """Take a device off the network: nobody sees it, nobody answers for it, its port is dark."""
    port = next((port_of(ref) for ref, known in WIRED.items() if known == mac), "")
    left: list[Observation] = []
    for one in seen:
        if isinstance(one, Sighting) and one.mac == mac:
            continue
        if isinstance(one, Sample) and one.place == f"device:{mac}":
            continue
        if isinstance(one, Notice) and dict(one.detail).get("mac") == mac:
            continue
        if isinstance(one, Sample) and one.place == port and one.kind == vocabulary.SPEED_BPS:
            left.append(replace(one, value=0.0))
            continue
        left.append(one)
    return left


def edit(seen: Iterable[Observation], kind: type[T], when: Callable[[T], bool], **changes: Any) -> list[Observation]:
    """Change these fields of each observation of a kind of which something holds."""
    return [replace(one, **changes) if isinstance(one, kind) and when(one) else one for one in seen]


def swap(seen: Iterable[Observation], change: Callable[[Observation], Observation | None]) -> list[Observation]:
    """Change or drop each observation."""
    return [changed for one in seen if (changed := change(one)) is not None]
