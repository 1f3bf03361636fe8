"""The daemon's other eyes: what a plan names is looked at, each by itself; a real SNMP agent's numbers become the ledger's."""

from __future__ import annotations

import json
import logging
import os
import sys
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

import pytest

from netaudit.daemon import sources as module
from netaudit.daemon.looks import Learnt, Looks
from netaudit.daemon.sources import Sources
from netaudit.observe.echo import EchoResult
from netaudit.observe.observation import Health, How, Sample, Sighting
from netaudit.observe.snmp.links import Way, find_links
from netaudit.site.load import parse_site
from netaudit.store.store import Store
from tests.daemon.test_watch import GATEWAY, PLAN, PLANNED, Running, metric, wait_for
from tests.observe.snmp import recording
from tests.observe.snmp.agent import WORD, agent
from tests.observe.snmp.recording import IF, IFX, OFFSET, POINT_PORT, UPLINK

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from netaudit.observe.observation import Observation
    from tests.lab.host import Host
    from tests.lab.lan import Lab

POINT_MAC = "02:00:00:00:01:10"


def rows(*, point_mbps: int = 1000, ticks: int = 360_000) -> recording.Rows:
    """Give the invented switch, with the laboratory's access point on its port at some speed."""
    made = recording.a_switch(point_mac=POINT_MAC, ticks=ticks)
    made[*IF, 5, POINT_PORT + OFFSET] = ("gauge", str(point_mbps * 1_000_000))
    made[*IFX, 15, POINT_PORT + OFFSET] = ("gauge", str(point_mbps))
    for column, value in ((2, UPLINK), (3, 3)):
        made[*recording.Q_FDB, column, 7, *recording.mac_index(GATEWAY.mac)] = ("integer", str(value))
    return {oid: value for oid, value in made.items() if oid[: len(recording.LLDP_REMOTE)] != recording.LLDP_REMOTE}


def start(lab: Lab, folder: Path, plan: str) -> Running:
    """Start the daemon inside the laboratory, with the switch's word in its environment."""
    (folder / "site.toml").write_text(plan)
    with (folder / "log").open("a") as log:
        process = lab.popen(
            [sys.executable, "-m", "netaudit", "run", str(folder / "site.toml"), "--json"],
            stdout=-1,
            stderr=log,
            text=True,
            env={**os.environ, "SHELF_WORD": WORD},
        )
    said = ""
    while not said.rstrip().endswith("}"):
        line = process.stdout.readline() if process.stdout else ""
        assert line, (folder / "log").read_text()
        said += line
    return Running(process, json.loads(said)["page"])


def latest(path: Path, place: str, kind: str) -> float | None:
    """Give the last number that the store holds of a series; None when there is none."""
    now = datetime.now(UTC)
    with Store.open(path, site="Laboratory", clock=lambda: datetime.now(UTC)) as store:
        readings = store.series(place, kind, now - timedelta(hours=1), now + timedelta(hours=1))
    return readings[-1].value if readings else None


@pytest.mark.timeout(240)
def test_a_switch_is_read_judged_and_missed(lab: Lab, tmp_path: Path) -> None:
    """
    The daemon reads ports, power and rates of a real agent; a link that comes up too slow is a finding that closes when it is
    mended; an agent that falls silent is a finding with its reason; the community is in no log and not in the store.
    """
    lab.segment(PLANNED, own=["192.0.2.1/26"])
    with agent(tmp_path, rows(), lab) as switch:
        snmp = f'[switch.shelf.snmp]\naddress = "127.0.0.1"\nport = {switch.port}\ncommunity_env = "SHELF_WORD"\nevery = "10 s"\n'
        running = start(lab, tmp_path, PLAN.replace("[access_point.hall]", f"{snmp}[access_point.hall]"))
        store = tmp_path / "site.db"
        wait_for("the ports are read", lambda: latest(store, "switch:shelf", "ports_up") == 3)
        assert latest(store, "switch:shelf", "power_w") == 11
        assert latest(store, "link:access_point/hall", "speed_bps") == 1e9

        slow = 'netaudit_findings{rule="link_slow",state="open"}'
        assert metric(lab, running, slow) is None
        switch.say(rows(point_mbps=100, ticks=361_000))
        wait_for("the slow link is found", lambda: metric(lab, running, slow) == 1)
        switch.say(rows(ticks=362_000))
        wait_for("the slow link is mended", lambda: metric(lab, running, slow) is None)

        assert switch.process is not None
        switch.process.terminate()
        silent = 'netaudit_findings{rule="source_silent",state="open"}'
        wait_for("the silence is found", lambda: metric(lab, running, silent) == 1)
    running.process.terminate()
    assert running.process.wait(15) == 0
    log = (tmp_path / "log").read_text()
    assert "snmp:shelf: " in log
    assert "Traceback" not in log
    assert WORD not in log
    assert WORD.encode() not in store.read_bytes()


EYES = (
    PLAN
    + """
[switch.shelf.snmp]
address = "127.0.0.1"
version = "3"
user = "watcher"
auth_env = "SHELF_AUTH"
privacy_env = "SHELF_PRIVACY"
[source.wan]
url = "http://127.0.0.1:1/metrics"
metric = "m"
place = "link:wan"
kind = "down_bps"
[command.fine]
run = ["/bin/echo", '{"place": "router", "kind": "up_bps", "value": 1}']
[command.broken]
run = ["/no/such/program"]
[ear.hall]
interface = "lo"
[services]
resolver = "192.0.2.2"
time_server = "192.0.2.2"
[outside]
hosts = ["host.example:443"]
[isolation]
hosts = ["device:desk"]
"""
)


class Heard:
    """Collects what is told."""

    def __init__(self) -> None:
        self.told: list[Observation] = []

    def take(self, told: Iterable[Observation]) -> None:
        """Take observations."""
        self.told += told


def eyes(heard: Heard, environ: dict[str, str]) -> Sources:
    """Give the sources of a plan that has one of each."""
    site = parse_site(EYES)
    look = Looks("home", site.segment["home"], "seg0", site.looking, sink=heard.take, now=lambda: datetime.now(UTC))
    look.learnt[GATEWAY.mac] = Learnt(IPv4Address("192.0.2.2"), datetime.now(UTC))
    return Sources(site, sink=heard.take, now=lambda: datetime.now(UTC), environ=environ, looks=[look])


def test_each_thing_that_the_plan_names_is_a_source() -> None:
    """One look each, under a name of its own, at the plan's pace."""
    jobs = {job.name: job.every_s for job in eyes(Heard(), {}).jobs}
    assert jobs == {
        "snmp:shelf": 60,
        "endpoint:wan": 60,
        "command:fine": 300,
        "command:broken": 300,
        "ear:hall": 300,
        "names": 300,
        "time": 300,
        "dhcp:home": 300,
        "outside": 60,
        "isolation:home": 3600,
    }


def test_a_plan_that_names_nothing_only_asks_who_leases() -> None:
    """Without tables of its own a plan gets the DHCP question, and none when it says so."""
    for more, names in (("", ["dhcp:home"]), ("[services]\ndhcp = false\n", [])):
        site = parse_site(PLAN + more)
        look = Looks(
            "home", site.segment["home"], "seg0", site.looking, sink=lambda _: None, now=lambda: datetime.now(UTC)
        )
        sources = Sources(site, sink=lambda _: None, now=lambda: datetime.now(UTC), environ={}, looks=[look])
        assert [job.name for job in sources.jobs] == names


async def test_a_source_in_trouble_says_why_and_holds_up_nobody(caplog: pytest.LogCaptureFixture) -> None:
    """A missing variable, a dead endpoint, a program and a radio that aren't there: each its own bad health, told once in the log."""
    heard = Heard()
    caplog.set_level(logging.INFO)
    jobs = {job.name: job for job in eyes(heard, {"SHELF_AUTH": "not-to-be-told"}).jobs}
    for _ in range(2):
        for name in ("snmp:shelf", "endpoint:wan", "command:broken", "ear:hall", "command:fine"):
            await jobs[name].run()
    last = {one.source: one for one in heard.told if isinstance(one, Health)}
    assert "SHELF_PRIVACY is not set" in last["snmp:shelf"].reason
    assert "http://127.0.0.1:1/metrics" in last["endpoint:wan"].reason
    assert "/no/such/program can't be run" in last["command:broken"].reason
    assert "not in monitor mode" in last["ear:hall"].reason
    assert last["command:fine"].good
    assert [one.value for one in heard.told if isinstance(one, Sample)] == [1.0, 1.0]
    assert sum("command:broken" in record.getMessage() for record in caplog.records) == 1
    assert "not-to-be-told" not in caplog.text


def test_links_are_found_by_the_macs_that_looks_and_plan_know() -> None:
    """The router by the MAC that it was heard with, the access point by the plan's; one behind the uplink is on no port."""
    hangs = eyes(Heard(), {}).hangs("shelf")
    assert hangs.above == {GATEWAY.mac}
    assert hangs.below == {"link:access_point/hall": {POINT_MAC}}
    there = {GATEWAY.mac: frozenset({8}), POINT_MAC: frozenset({3})}
    assert find_links(hangs, there, ()) == {
        8: Way("link:switch/shelf", upward=True),
        3: Way("link:access_point/hall", upward=False),
    }
    assert find_links(hangs, {**there, POINT_MAC: frozenset({8})}, ()) == {8: Way("link:switch/shelf", upward=True)}
    assert find_links(hangs, {**there, POINT_MAC: frozenset({3, 4})}, ()) == {8: Way("link:switch/shelf", upward=True)}
    assert find_links(hangs, {}, ()) == {}


def test_switches_are_found_by_the_plans_macs_and_names() -> None:
    """Above is whoever the switch hangs on, and the router by the plan's MAC; below are those that nobody asks themselves."""
    more = """
[router]
mac = ["02:00:00:00:00:f1"]
[switch.root]
mac = "02:00:00:00:00:c0"
[switch.low]
mac = "02:00:00:00:00:c1"
uplink = "switch:shelf"
"""
    plan = PLAN.replace("[switch.shelf]\n", '[switch.shelf]\nuplink = "switch:root"\n') + more
    site = parse_site(plan)
    hangs = Sources(site, sink=lambda _: None, now=lambda: datetime.now(UTC), environ={}, looks=[]).hangs("shelf")
    assert hangs.above == {"02:00:00:00:00:f1", "02:00:00:00:00:c0", "root"}
    assert hangs.below["link:switch/low"] == {"02:00:00:00:00:c1", "low"}


async def ask_the_router() -> tuple[bool | None, bool | None]:
    """Ask the router before and after the first sweep; runs inside the laboratory."""
    site = parse_site(PLAN)
    look = Looks("home", site.segment["home"], "seg0", site.looking, sink=lambda _: None, now=lambda: datetime.now(UTC))
    sources = Sources(site, sink=lambda _: None, now=lambda: datetime.now(UTC), environ={}, looks=[look])
    before = await sources.gateway_answers()
    await look.sweep()
    return before, await sources.gateway_answers()


@pytest.mark.parametrize(
    ("gateway", "answers"),
    [(GATEWAY, True), (GATEWAY.but(silent=("echo",)), False), (GATEWAY.but(present=False), False)],
    ids=["there", "silent", "gone"],
)
def test_the_router_is_asked_where_it_was_heard(lab: Lab, gateway: Host, answers: bool) -> None:  # noqa: FBT001
    """Before anybody was heard nothing is known; then a router that answers, keeps silent or is gone is told apart."""
    lab.segment([gateway, *PLANNED[1:]], own=["192.0.2.1/26"])
    assert lab.call(ask_the_router) == (None, answers)


async def test_the_router_is_asked_within_the_pace_of_all_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its echoes take their turns with the sweep's and those to devices: the plan's pace is for their sum."""
    site = parse_site(PLAN)
    look = Looks("home", site.segment["home"], "seg0", site.looking, sink=lambda _: None, now=lambda: datetime.now(UTC))
    look.learn([Sighting(datetime.now(UTC), "home", GATEWAY.mac, GATEWAY.address, How.ARP)])
    paces: list[object] = []

    async def asked(*_: object, pace: object = None, **__: object) -> EchoResult:
        paces.append(pace)
        return EchoResult((), 0, 0, 0, 0, 0.0)

    monkeypatch.setattr(module, "echo", asked)
    told = Sources(site, sink=lambda _: None, now=lambda: datetime.now(UTC), environ={}, looks=[look])
    assert await told.gateway_answers() is False
    assert paces == [look.pace]


@pytest.mark.timeout(240)
def test_a_name_that_leads_elsewhere_and_a_way_out_that_is_cut_are_found(lab: Lab, tmp_path: Path) -> None:
    """The router's resolver names another address than the desk's; nothing outside opens, and the fault is beyond the router."""
    resolver = GATEWAY.but(zone=(("desk.home.arpa", "192.0.2.99"),))
    lab.segment([resolver, *PLANNED[1:]], own=["192.0.2.1/26"])
    plan = PLAN.replace('mac = ["02:00:00:00:01:20"]', 'mac = ["02:00:00:00:01:20"]\nhostname = "desk.home.arpa"')
    plan += (
        '[services]\nresolver = "192.0.2.2"\nevery = "10 s"\n[outside]\nhosts = ["203.0.113.9:443"]\nevery = "10 s"\n'
    )
    running = start(lab, tmp_path, plan)
    for rule in ("name_wrong", "source_silent"):
        opened = f'netaudit_findings{{rule="{rule}",state="open"}}'
        wait_for(f"{rule} is found", lambda opened=opened: metric(lab, running, opened) == 1)  # type: ignore[misc]
    assert latest(tmp_path / "site.db", "link:wan", "outside_share") == 0
    log = (tmp_path / "log").read_text()
    assert "the fault is beyond the router" in log
    running.process.terminate()
    assert running.process.wait(15) == 0
