"""Isolation tried through a real router: what it lets through is found, what it holds back is not, and the plan is the measure."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.isolation import Reach, Target, compare, try_reach
from netaudit.observe.observation import Notice, Sample
from tests.lab.lan import Guest

if TYPE_CHECKING:
    from tests.lab.lan import Lab

GUESTS = IPv4Network("192.0.2.0/26")
GADGETS = IPv4Network("192.0.2.64/26")
ROUTER_MAC = "02:00:00:00:0e:01"
TARGET = Target("device:camera", "gadgets", IPv4Address("192.0.2.70"))
NOBODY = Target("device:lamp", "gadgets", IPv4Address("192.0.2.71"))
OPEN, SHUT = 8080, 8081
AT = datetime(2026, 3, 1, tzinfo=UTC)
LISTENING = f"""
import socket, time
with socket.create_server(("192.0.2.70", {OPEN})) as door:
    print("ready", flush=True)
    time.sleep(600)
"""


@dataclass
class Site:
    """Two segments with a router between them and one host in the second; the monitor is in the first."""

    lab: Lab
    router: Guest

    def rule(self, words: str) -> None:
        """Give the router a rule."""
        self.lab.ip(words, pid=self.router.pid)

    def reach(self, *targets: Target, network: IPv4Network = GUESTS, timeout_s: float = 0.5) -> dict[str, Reach]:
        """Try them all."""
        found = self.lab.call(
            try_reach,
            "near0",
            gateway_mac=bytes.fromhex(ROUTER_MAC.replace(":", "")),
            network=network,
            targets=list(targets),
            ports=[OPEN, SHUT],
            networks=[GUESTS, GADGETS],
            timeout_s=timeout_s,
        )
        return {one.target.ref: one for one in found}


@pytest.fixture
def site(lab: Lab) -> Site:
    """Build it: monitor - router - host, the latter two with the kernel's own stack."""
    router, host = Guest(lab), Guest(lab)
    lab.ip(
        f"link add near0 type veth peer name near0 netns {router.pid}",
        "link set near0 up",
        "addr add 192.0.2.1/26 dev near0",
    )
    lab.ip(f"link add far0 type veth peer name far0 netns {host.pid}", pid=router.pid)
    lab.ip(
        "link set lo up",
        f"link set near0 address {ROUTER_MAC} up",
        "link set far0 up",
        "addr add 192.0.2.2/26 dev near0",
        "addr add 192.0.2.66/26 dev far0",
        pid=router.pid,
    )
    lab.ip(
        "link set lo up",
        "link set far0 up",
        "addr add 192.0.2.70/26 dev far0",
        "route add default via 192.0.2.66",
        pid=host.pid,
    )
    forward = [*lab.enter(router.pid), "sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward"]
    if subprocess.run(forward, capture_output=True, check=False).returncode:
        pytest.skip("no right to let a namespace forward")
    door = host.popen([sys.executable, "-c", LISTENING], stdout=subprocess.PIPE, text=True)
    assert door.stdout is not None
    assert door.stdout.readline().strip() == "ready"
    return Site(lab, router)


def test_what_the_router_lets_through_is_found(site: Site) -> None:
    """The host answers by echo and on its open port; its closed port is refused; an address without a host is silent."""
    found = site.reach(TARGET, NOBODY)
    assert found[TARGET.ref] == Reach(TARGET, ways=("echo", f"tcp/{OPEN}"), refused=(SHUT,))
    assert found[NOBODY.ref] == Reach(NOBODY, ways=(), refused=())


@pytest.mark.timeout(60)
def test_nobody_is_waited_for_once_all_have_answered(site: Site) -> None:
    """Where every probe has its answer, two waits of a minute each are not waited."""
    assert site.reach(TARGET, timeout_s=60.0)["device:camera"].refused == (SHUT,)


@pytest.mark.parametrize("what", ["blackhole", "prohibit"])
def test_what_the_router_holds_back_is_not_reached(site: Site, what: str) -> None:
    """Dropped in silence, or refused with a message: nothing is reached either way."""
    site.rule(f"rule add from {GUESTS} to {GADGETS} {what} priority 10")
    assert site.reach(TARGET)[TARGET.ref] == Reach(TARGET, ways=(), refused=())


def test_a_rule_that_holds_back_one_way_only_is_seen_through(site: Site) -> None:
    """Only pings are held back, the door is open: reached by TCP alone."""
    site.rule(f"rule add from {GUESTS} to {GADGETS} ipproto icmp blackhole priority 10")
    assert site.reach(TARGET)[TARGET.ref].ways == (f"tcp/{OPEN}",)


def test_nothing_outside_of_the_plan_is_tried(site: Site) -> None:
    """A host outside of the plan's networks, a segment that we have no address in, too many probes."""
    with pytest.raises(LookError, match=r"outside of the networks"):
        site.reach(Target("device:x", "y", IPv4Address("198.51.100.1")))
    with pytest.raises(LookError, match="has no address in"):
        site.reach(TARGET, network=GADGETS)
    with pytest.raises(OutOfRange):
        site.reach(*[NOBODY] * 200)


ROWS = [
    ("reached and must not be", ("echo",), (), (), {"by": "echo", "segment": "gadgets", "target": "device:camera"}, 1),
    ("reached and may be", ("echo",), (), ("gadgets",), None, 0),
    ("not reached and must not be", (), (), (), None, 0),
    ("reset and must not be reached", (), (80,), (), None, 0),
    ("silent and may be reached", (), (), ("gadgets",), {"answer": "silent", "segment": "gadgets", "target": "device:camera"}, 0),
    ("reset and may be reached", (), (80,), ("gadgets",), {"answer": "refused", "segment": "gadgets", "target": "device:camera"}, 0),
]  # fmt: skip


@pytest.mark.parametrize(
    ("ways", "refused", "may", "detail", "breaches"), [row[1:] for row in ROWS], ids=[row[0] for row in ROWS]
)
def test_the_plan_is_the_measure(
    ways: tuple[str, ...], refused: tuple[int, ...], may: tuple[str, ...], detail: dict[str, str] | None, breaches: int
) -> None:
    """Each pair of what came back and what is allowed: a breach, a way that is missing, or nothing to say."""
    told = compare("guests", [Reach(TARGET, ways, refused)], may, AT)
    assert told[-1] == Sample(AT, "segment:guests", "isolation_breaches", breaches)
    notices = [one for one in told if isinstance(one, Notice)]
    assert [dict(one.detail) for one in notices] == ([] if detail is None else [detail])
    assert all(one.kind == ("isolation_breach" if breaches else "reach_missing") for one in notices)
