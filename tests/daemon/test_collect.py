"""
The acceptance test on a laboratory network: built as planned it passes; each of twelve seeded faults is caught by its own check.

What can be played is played: hosts, their absence, loss, DHCP and DNS servers, addresses claimed twice, hosts on another segment.
The laboratory has no switch agent, no radio and no router between its segments; what those would tell is given as recorded
evidence beside what was really seen.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.certificate import Certificate, certify
from netaudit.audit.acceptance.check import Outcome, prepare
from netaudit.audit.acceptance.evidence import Evidence, freeze
from netaudit.audit.acceptance.wiring import sockets
from netaudit.audit.moving.baseline import freeze_baseline
from netaudit.audit.moving.cutover import Stage, progress
from netaudit.daemon.collect import collect
from netaudit.errors import LookError, OutOfRange
from netaudit.observe.observation import Notice, Observation, Sample
from netaudit.site.load import parse_site
from tests.lab.host import Host, Pool

if TYPE_CHECKING:
    from netaudit.site.model import Site
    from tests.lab.lan import Lab, Segment

# Echoes each second: an honest test takes half an hour, and a laboratory has not that long.
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
[segment.things]
network = "198.51.100.0/24"
gateway = "198.51.100.2"
pool = ["198.51.100.200", "198.51.100.250"]
interface = "seg1"
[services]
resolver = "192.0.2.2"
every = "10 s"
[isolation]
hosts = ["device:desk", "device:gate"]
[switch.loft]
ports = [{ count = 12, power = "type 2" }, { count = 200 }]
supply = "60 W"
[access_point.hall]
segment = "home"
mac = "02:00:00:00:01:10"
address = "192.0.2.10"
[[access_point.hall.radio]]
band = "2.4"
association_limit = 20
[device.desk]
kind = "desktop"
segment = "home"
mac = ["02:00:00:00:01:20"]
address = "192.0.2.20"
hostname = "desk.lab.home.arpa"
[device.printer]
kind = "printer"
segment = "home"
mac = ["02:00:00:00:01:21"]
[device.gate]
kind = "camera"
segment = "things"
mac = ["02:00:00:00:02:10"]
address = "198.51.100.10"
[device.kiln]
kind = "controller"
segment = "things"
mac = ["02:00:00:00:02:11"]
[device.meters]
kind = "controller"
count = 100
segment = "things"
address = "198.51.100.50"
[device.lamps]
kind = "controller"
count = 60
segment = "home"
address = "192.0.2.100"
[recorder.vault]
segment = "things"
mac = "02:00:00:00:02:12"
address = "198.51.100.12"
"""
SITE = parse_site(PLAN)

HOME_ROUTER = Host(
    "02:00:00:00:01:02",
    "192.0.2.2",
    delay_s=0.001,
    zone=(("desk.lab.home.arpa", "192.0.2.20"),),
    pool=Pool("192.0.2.41", 10, "255.255.255.0", router="192.0.2.2"),
)
THINGS_ROUTER = Host(
    "02:00:00:00:02:02",
    "198.51.100.2",
    delay_s=0.001,
    pool=Pool("198.51.100.201", 10, "255.255.255.0", router="198.51.100.2"),
)
POINT = Host("02:00:00:00:01:10", "192.0.2.10", delay_s=0.001)
DESK = Host("02:00:00:00:01:20", "192.0.2.20", delay_s=0.001)
PRINTER = Host("02:00:00:00:01:21", "192.0.2.45", delay_s=0.002)
GATE = Host("02:00:00:00:02:10", "198.51.100.10", delay_s=0.001)
KILN = Host("02:00:00:00:02:11", "198.51.100.211", delay_s=0.001)
VAULT = Host("02:00:00:00:02:12", "198.51.100.12", delay_s=0.001)
METERS = [Host(f"02:00:00:00:03:{n:02x}", f"198.51.100.{50 + n}", delay_s=0.001) for n in range(100)]
LAMPS = [Host(f"02:00:00:00:04:{n:02x}", f"192.0.2.{100 + n}", delay_s=0.001) for n in range(60)]
HOME, THINGS = (HOME_ROUTER, POINT, DESK, PRINTER, *LAMPS), (THINGS_ROUTER, GATE, KILN, VAULT, *METERS)
STRANGER = "02:00:00:00:09:99"
# Three times what a sweep of the larger segment takes, and echoes enough to show less than 1 % loss in both.
SECONDS = 8.0


def recorded(evidence: Evidence, site: Site = SITE) -> list[Observation]:
    """Give what switch, radio and router would tell of a network built as planned."""
    at = evidence.since + timedelta(seconds=1)
    told: list[Observation] = []
    macs = {"device:desk": DESK, "device:printer": PRINTER, "device:gate": GATE, "device:kiln": KILN}
    macs |= {"access_point:hall": POINT, "recorder:vault": VAULT}
    trial = prepare(site, evidence)
    groups = {"device:meters": iter(METERS), "device:lamps": iter(LAMPS)}
    for socket in sockets(trial):
        group = trial.patching.groups[socket.patch.switch][socket.patch.group]
        rate = min(group.rate_bps, socket.patch.plug.rate_bps)
        for _ in range(2):
            told.append(Sample(at, socket.place, vocabulary.SPEED_BPS, rate))
            told.append(Sample(at, socket.place, vocabulary.ERRORS, 0.0))
        behind = next(groups[socket.refs]) if socket.refs in groups else macs.get(socket.refs)
        if behind is not None:
            told.append(Notice(at, socket.place, vocabulary.FORWARDING, (("mac", behind.mac),)))
        if socket.patch.plug.power_class is not None:
            told.append(Sample(at, socket.place, words.POWER_CLASS, float(socket.patch.plug.power_class)))
    for _ in range(9):
        told.append(Sample(at, "switch:loft", vocabulary.POWER_W, 20.0))
        told.append(Sample(at, "radio:hall/2.4", vocabulary.STATIONS, 5.0))
        told.append(Sample(at, "radio:hall/2.4", vocabulary.BUSY_SHARE, 0.1))
    return told


def judged(evidence: Evidence, told: list[Observation]) -> Certificate:
    """Judge what was seen together with what was recorded."""
    seen = (*evidence.sightings, *evidence.namings, *evidence.samples, *evidence.notices, *evidence.health, *told)
    return certify(SITE, freeze(seen, evidence.since, evidence.until), plan_sha256="p", evidence_sha256="e")


def failed(certificate: Certificate) -> list[str]:
    """Give the keys of the checks that failed."""
    return [result.key for result in certificate.results if result.outcome is Outcome.FAILED]


def _build(lab: Lab) -> tuple[Segment, Segment]:
    return (
        lab.segment(HOME, own=["192.0.2.1/24"]),
        lab.segment(THINGS, own=["198.51.100.1/24"]),
    )


def _look(lab: Lab, seconds: float = SECONDS) -> Evidence:
    return lab.call(collect, SITE, seconds, environ={})


@pytest.mark.timeout(240)
def test_built_as_planned_it_passes_and_each_played_fault_is_caught_alone(lab: Lab) -> None:
    """One laboratory, faults made and mended one after the other; after each the one right check fails and no other."""
    home, things = _build(lab)
    evidence = _look(lab)
    certificate = judged(evidence, recorded(evidence))
    assert failed(certificate) == []
    # What nothing here can tell: the world outside and a restart.
    assert {result.key for result in certificate.results if result.outcome is Outcome.NOT_TESTED} == {
        "outside",
        "restart",
    }
    baseline = freeze_baseline("as built", SITE, evidence, source="looking")

    things.remove(GATE)
    evidence = _look(lab, 4)
    assert failed(judged(evidence, recorded(evidence))) == ["presence"]
    gone = [row for row in progress(baseline, SITE, evidence).rows if row.stage is Stage.MISSING]
    assert [row.title for row in gone] == ["gate"]
    things.set(GATE)

    home.set(Host(STRANGER, "192.0.2.20", delay_s=0.002))
    evidence = _look(lab, 4)
    assert failed(judged(evidence, recorded(evidence))) == ["duplicates"]
    home.remove(Host(STRANGER))

    home.set(Host(STRANGER, "192.0.2.33", pool=Pool("192.0.2.50", 5, "255.255.255.0")))
    evidence = _look(lab, 5)
    assert failed(judged(evidence, recorded(evidence))) == ["dhcp"]
    home.remove(Host(STRANGER))

    # Another resolver that doesn't know the site's names; then none at all.
    for zone in ((("elsewhere.home.arpa", "192.0.2.9"),), ()):
        home.set(HOME_ROUTER.but(zone=zone))
        evidence = _look(lab, 6)
        assert failed(judged(evidence, recorded(evidence))) == ["names"]
    home.set(HOME_ROUTER)

    things.remove(KILN)
    home.set(KILN.but(address="192.0.2.47"))
    evidence = _look(lab, 4)
    assert failed(judged(evidence, recorded(evidence))) == ["segments"]
    assert [row.title for row in progress(baseline, SITE, evidence).rows if row.stage is Stage.ELSEWHERE] == ["kiln"]
    home.remove(KILN)
    things.set(KILN)

    things.set(GATE.but(address="198.51.100.231"), Host(STRANGER, "198.51.100.10"))
    evidence = _look(lab, 4)
    assert failed(judged(evidence, recorded(evidence))) == ["fixed"]
    things.set(GATE)
    things.remove(Host(STRANGER))


@pytest.mark.timeout(120)
def test_two_percent_loss_is_caught_and_nothing_else(lab: Lab) -> None:
    """Each host on one segment loses 2 % of what it is asked, where 1 % is promised; only the loss check fails, only there."""
    _, things = _build(lab)
    things.set(*(host.but(loss=0.02) for host in (GATE, VAULT, *METERS)))
    evidence = _look(lab, 15)
    certificate = judged(evidence, recorded(evidence))
    assert failed(certificate) == ["loss"]
    assert [item.place for _, item in certificate.items(Outcome.FAILED)] == ["segment:things"]


def test_faults_that_only_a_switch_a_radio_or_a_router_can_tell(lab: Lab) -> None:
    """Beside what was really seen: recorded tables with one fault each are caught by the one right check."""
    _build(lab)
    evidence = _look(lab, 4)
    told = recorded(evidence)
    ports = {dict(one.detail)["mac"]: one.place for one in told if isinstance(one, Notice) and one.kind == "forwarding"}
    exchanged = {(ports[DESK.mac], DESK.mac): ports[KILN.mac], (ports[KILN.mac], KILN.mac): ports[DESK.mac]}

    def samples(kind: str, value: float, place: str | None = None) -> list[Observation]:
        return [
            replace(one, value=value)
            if isinstance(one, Sample) and one.kind == kind and place in (None, one.place)
            else one
            for one in told
        ]

    swapped: list[Observation] = [
        replace(one, place=exchanged.get((one.place, dict(one.detail).get("mac", "")), one.place))
        if isinstance(one, Notice)
        else one
        for one in told
    ]
    assert failed(judged(evidence, told)) == []
    assert failed(judged(evidence, swapped)) == ["patching"]
    assert failed(judged(evidence, samples(vocabulary.SPEED_BPS, 1e8, ports[DESK.mac]))) == ["speed"]
    assert failed(judged(evidence, samples(vocabulary.POWER_W, 57.0))) == ["power"]
    assert failed(judged(evidence, samples(vocabulary.STATIONS, 19.0))) == ["stations"]
    detail = (("by", "echo"), ("segment", "home"), ("target", "device:desk"))
    leak = Notice(evidence.since, "segment:things", vocabulary.ISOLATION_BREACH, detail)
    assert failed(judged(evidence, [*told, leak])) == ["isolation"]


def test_a_long_night_holds_only_the_latest_word(lab: Lab) -> None:
    """Every second a sweep: still one sighting for each device, segment and address, and no samples."""
    _build(lab)
    evidence = lab.call(collect, SITE, 4.0, environ={}, latest_every_s=1.0)
    keys = [(one.mac, one.segment, one.address) for one in evidence.sightings]
    assert len(keys) == len(set(keys))
    assert {mac for mac, _, _ in keys} >= {host.mac for host in (*HOME, *THINGS)}
    assert not evidence.samples


def test_a_look_at_an_interface_that_is_not_there_is_refused(lab: Lab) -> None:
    """A mistyped interface ends the call at once and is named: half an hour would prove nothing."""
    _build(lab)
    with pytest.raises(LookError, match="segment things: this box has no interface seg9"):
        lab.call(collect, parse_site(PLAN.replace('"seg1"', '"seg9"')), 600.0, environ={})


def test_looking_needs_a_segment_with_an_interface_and_a_sensible_time(lab: Lab) -> None:
    """Without an interface there is nothing to look at; no time at all, or a month, is refused."""
    with pytest.raises(LookError, match="interface"):
        lab.call(
            collect,
            parse_site(PLAN.replace('interface = "seg0"', "").replace('interface = "seg1"', "")),
            2.0,
            environ={},
        )
    for seconds in (0.0, 1e9):
        with pytest.raises(OutOfRange):
            lab.call(collect, SITE, seconds, environ={})
