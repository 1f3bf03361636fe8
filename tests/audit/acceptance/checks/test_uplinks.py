from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Item, Outcome, prepare
from netaudit.audit.acceptance.checks.cabling import judge_patching, judge_ports
from netaudit.audit.acceptance.checks.power import judge_class
from netaudit.audit.acceptance.checks.uplinks import judge_uplinks
from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.acceptance.sockets import sockets
from netaudit.capacity.patching import UPLINK
from netaudit.observe.observation import Health, How, Notice, Observation, Sample, Sighting
from netaudit.site.load import parse_site

BEGAN = datetime(2026, 5, 4, 20, 0, tzinfo=UTC)
ENDED = BEGAN + timedelta(minutes=30)
ROUTER, ROOT, LEFT, RIGHT, DESK, BOX = (f"00:00:5e:00:53:{number:02x}" for number in range(1, 7))
# Two switches below one. The names that they give themselves are not those of the plan, so that only MACs tell.
PLAN = f"""
[site]
name = "Sluice House"
[closet.loft]
[segment.home]
network = "192.0.2.0/24"
[router]
mac = ["{ROUTER}"]
[switch.root]
mac = "{ROOT}"
ports = 12
[switch.left]
mac = "{LEFT}"
ports = 8
uplink = "switch:root"
[switch.right]
mac = "{RIGHT}"
ports = 8
uplink = "switch:root"
[device.desk]
kind = "desktop"
mac = ["{DESK}"]
switch = "left"
[device.box]
kind = "server"
mac = ["{BOX}"]
switch = "root"
"""
SITE = parse_site(PLAN)
PLANNED = {
    (one.patch.switch, one.refs): one.place for one in sockets(prepare(SITE, freeze((), BEGAN, ENDED))) if one.refs
}
UP = {name: PLANNED[name, UPLINK] for name in SITE.switch}
TO_LEFT, TO_RIGHT = PLANNED["root", "switch:left"], PLANNED["root", "switch:right"]
FREE = "switch:root/port:12"


def lldp(place: str, chassis: str, name: str = "elsewhere.example") -> Notice:
    """A neighbour says that it is plugged in there."""
    return Notice(BEGAN, place, vocabulary.LLDP_NEIGHBOUR, (("chassis", chassis), ("name", name), ("port", "x")))


def learnt(place: str, mac: str) -> Notice:
    """A forwarding table has a MAC there."""
    return Notice(BEGAN, place, vocabulary.FORWARDING, (("mac", mac),))


BY_LLDP: list[Observation] = [
    lldp(UP["root"], ROUTER),
    lldp(TO_LEFT, LEFT),
    lldp(TO_RIGHT, RIGHT),
    lldp(UP["left"], ROOT),
    lldp(UP["right"], ROOT),
]
BY_TABLES: list[Observation] = [
    *(learnt(UP[name], mac) for name in SITE.switch for mac in (ROUTER, ROOT, BOX) if name != "root"),
    learnt(UP["root"], ROUTER),
    learnt(TO_LEFT, LEFT),
    learnt(TO_LEFT, DESK),
    learnt(TO_RIGHT, RIGHT),
    learnt(PLANNED["root", "device:box"], BOX),
    learnt(PLANNED["left", "device:desk"], DESK),
]


def without(told: list[Observation], place: str) -> list[Observation]:
    """Let one port tell nothing."""
    return [one for one in told if not (isinstance(one, Notice) and one.place == place)]


def moved(told: list[Observation], was: str, now: str) -> list[Observation]:
    """Let what was told of one port be told of another."""
    return [
        Notice(one.at, now, one.kind, one.detail) if isinstance(one, Notice) and one.place == was else one
        for one in told
    ]


def outcomes(told: list[Observation], plan: str = PLAN) -> dict[str, Outcome]:
    """Judge the uplinks."""
    trial = prepare(parse_site(plan), freeze(told, BEGAN, ENDED))
    return {item.place.removeprefix("link:switch/"): item.outcome for item in judge_uplinks(trial)}


ALL_PASS = dict.fromkeys(SITE.switch, Outcome.PASSED)


@pytest.mark.parametrize("told", [BY_LLDP, BY_TABLES, BY_LLDP + BY_TABLES], ids=["lldp", "tables", "both"])
def test_uplinks_as_planned_pass_by_neighbours_and_by_tables(told: list[Observation]) -> None:
    """Each of the two kinds of evidence is enough, and both together are."""
    assert outcomes(told) == ALL_PASS


@pytest.mark.parametrize("told", [BY_LLDP, BY_TABLES, BY_LLDP + BY_TABLES], ids=["lldp", "tables", "both"])
def test_two_uplinks_exchanged_fail_and_the_third_does_not(told: list[Observation]) -> None:
    """Plugged into each other's port of the switch above, both are wrong."""
    exchanged = moved(
        moved(moved(told, TO_LEFT, "switch:root/port:99"), TO_RIGHT, TO_LEFT), "switch:root/port:99", TO_RIGHT
    )
    assert outcomes(exchanged) == {"root": Outcome.PASSED, "left": Outcome.FAILED, "right": Outcome.FAILED}


@pytest.mark.parametrize(
    ("was", "now", "wrong"),
    [(TO_LEFT, FREE, "left"), (UP["right"], "switch:right/port:8", "right"), (UP["root"], FREE, "root")],
)
def test_an_uplink_on_another_port_fails_alone(was: str, now: str, wrong: str) -> None:
    """At either end; what passes through the port is no second trouble of the cables, nor is the port that is dark."""
    told = [*moved(BY_LLDP + BY_TABLES, was, now), Sample(BEGAN, was, vocabulary.SPEED_BPS, 0.0)]
    assert outcomes(told) == {**ALL_PASS, wrong: Outcome.FAILED}
    trial = prepare(SITE, freeze(told, BEGAN, ENDED))
    assert [one.place for one in judge_patching(trial) if one.outcome is Outcome.FAILED] == []
    assert [one.place for one in judge_ports(trial) if one.outcome is Outcome.FAILED] == []


def test_a_dark_port_whose_uplink_is_nowhere_is_the_ports_trouble() -> None:
    """When nobody found it elsewhere, the dark port is told."""
    dark = Sample(BEGAN, TO_LEFT, vocabulary.SPEED_BPS, 0.0)
    told: list[Observation] = [*without(BY_LLDP, TO_LEFT), dark]
    trial = prepare(SITE, freeze(told, BEGAN, ENDED))
    assert [one.place for one in judge_ports(trial) if one.outcome is Outcome.FAILED] == [TO_LEFT]


def test_a_switch_in_a_row_instead_of_beside_fails_alone() -> None:
    """The right switch hangs on the left one: each sees the other, and only the right one is wrong."""
    told = [one for one in BY_LLDP if one not in (lldp(TO_RIGHT, RIGHT), lldp(UP["right"], ROOT))]
    told += [lldp("switch:left/port:7", RIGHT), lldp(UP["right"], LEFT), learnt(UP["right"], ROUTER)]
    told += [learnt(UP["left"], ROUTER)]
    assert outcomes(told) == {**ALL_PASS, "right": Outcome.FAILED}


def test_one_end_is_enough() -> None:
    """Only the switch above is asked: its port says who is plugged in."""
    told: list[Observation] = [
        one for one in BY_LLDP if isinstance(one, Notice) and one.place.startswith("switch:root/")
    ]
    assert outcomes(told) == ALL_PASS


def test_the_router_beyond_does_not_show_which_switch_is_next() -> None:
    """A table with the router's MAC on the planned port shows the way, not the neighbour: not tested, with what it takes."""
    trial = prepare(SITE, freeze([learnt(UP["left"], ROUTER)], BEGAN, ENDED))
    (item,) = [one for one in judge_uplinks(trial) if one.place == "link:switch/left"]
    assert item.outcome is Outcome.NOT_TESTED
    assert "which switch is next" in item.evidence
    assert "mac" in item.cure
    # On another port it is wrong whoever is next.
    assert outcomes([learnt("switch:left/port:7", ROUTER)])["left"] is Outcome.FAILED


def test_nothing_told_is_not_tested_and_says_what_is_missing() -> None:
    """Without a MAC in the plan, and with nobody asked, the cure names both."""
    plan = "\n".join(line for line in PLAN.splitlines() if not line.startswith('mac = "') and '["' + ROUTER not in line)
    trial = prepare(parse_site(plan), freeze((), BEGAN, ENDED))
    items = {item.place: item for item in judge_uplinks(trial)}
    assert {item.outcome for item in items.values()} == {Outcome.NOT_TESTED}
    assert "snmp" in items["link:switch/left"].cure
    assert "the mac of switch left" in items["link:switch/left"].cure
    assert "the mac of the router" in items["link:switch/root"].cure


def test_a_switch_is_known_by_the_name_it_gives_itself() -> None:
    """Its name in the plan or its label, with a domain behind it or not, is enough where the plan has no MAC."""
    plan = PLAN.replace(f'mac = "{LEFT}"', 'label = "Left shelf"')
    for name in ("left", "LEFT.example", "Left shelf"):
        assert outcomes([lldp(TO_LEFT, "00:00:5e:00:53:77", name)], plan)["left"] is Outcome.PASSED
    assert outcomes([lldp(TO_LEFT, "00:00:5e:00:53:77", "other")], plan)["left"] is Outcome.NOT_TESTED


def test_who_hangs_beyond_a_switch_that_says_nothing_is_not_blamed() -> None:
    """A plain switch in between passes on what its neighbours say: seen from the next above, nothing is wrong."""
    plan = PLAN.replace(
        f'mac = "{RIGHT}"\nports = 8\nuplink = "switch:root"', 'ports = 8\nuplink = "switch:root"'
    ).replace(
        f'mac = "{LEFT}"\nports = 8\nuplink = "switch:root"', f'mac = "{LEFT}"\nports = 8\nuplink = "switch:right"'
    )
    told: list[Observation] = [lldp("switch:root/port:2", LEFT), learnt("switch:root/port:1", ROUTER)]
    assert outcomes(told, plan)["left"] is Outcome.NOT_TESTED


def test_the_plans_own_uplink_port_counts_before_the_schedule() -> None:
    """A plan that says uplink_port = 8 is right with port 8, whatever the schedule would have put there."""
    asked = 'snmp = { address = "192.0.2.9", community_env = "WORD", uplink_port = 8 }\n'
    plan = PLAN.replace(f'mac = "{LEFT}"\n', f'mac = "{LEFT}"\n{asked}')
    assert outcomes(moved(BY_LLDP, UP["left"], "switch:left/port:8"), plan) == ALL_PASS
    assert outcomes(BY_LLDP, plan)["left"] is Outcome.FAILED


def test_a_switch_that_is_away_is_presences_trouble() -> None:
    """Its address answers nobody: that is told once, and its uplink is not tested."""
    plan = PLAN.replace(f'mac = "{LEFT}"\n', f'mac = "{LEFT}"\naddress = "192.0.2.9"\n')
    seen: list[Observation] = [
        Health(BEGAN, "sweep:home", good=True, reason=""),
        Sighting(BEGAN, "home", BOX, "192.0.2.77", How.ARP),
        *without(BY_LLDP, TO_LEFT),
    ]
    assert outcomes(seen, plan)["left"] is Outcome.NOT_TESTED


def test_the_last_word_counts() -> None:
    """Told on another port first and on the planned one last, it hangs as planned; the other way round it doesn't."""
    for first, last, outcome in ((FREE, TO_LEFT, Outcome.PASSED), (TO_LEFT, FREE, Outcome.FAILED)):
        early, late = lldp(first, LEFT), replace(lldp(last, LEFT), at=BEGAN + timedelta(minutes=5))
        assert outcomes([early, late])["left"] is outcome


def test_who_is_learnt_on_a_planned_link_is_not_patched_there() -> None:
    """The switch beyond says nothing and is not heard of; the port that the plan gives it leads to it all the same."""
    seen = Sighting(BEGAN, "home", DESK, "192.0.2.66", How.ARP)
    for place, outcome in ((TO_LEFT, Outcome.NOT_TESTED), (FREE, Outcome.FAILED)):
        trial = prepare(SITE, freeze([seen, learnt(place, DESK)], BEGAN, ENDED))
        assert [one.outcome for one in judge_patching(trial) if one.place == "device:desk"] == [outcome]


STAR = PLAN.replace('uplink = "switch:root"\n', "").replace(
    "[router]\n", '[router]\nport_names = ["p1", "p2", "p3", "p4"]\n'
)
ON_ROUTER = {
    one.refs: one
    for one in sockets(prepare(parse_site(STAR), freeze((), BEGAN, ENDED)))
    if one.place.startswith("router/")
}


def hears(switch: str, called: str) -> Notice:
    """A switch hears the router, which says what it calls that port of its own."""
    detail = (("chassis", ROUTER), ("name", "edge.example"), ("port", called))
    return Notice(BEGAN, f"switch:{switch}/port:1", vocabulary.LLDP_NEIGHBOUR, detail)


def on_router(**called: str) -> tuple[dict[str, Item], dict[str, Item]]:
    """Judge the uplinks of three switches on the router, and the router's ports."""
    trial = prepare(parse_site(STAR), freeze([hears(*one) for one in called.items()], BEGAN, ENDED))
    links = {item.place.removeprefix("link:switch/"): item for item in judge_uplinks(trial)}
    return links, {item.place: item for item in judge_ports(trial) if item.place.startswith("router/")}


def port_of_router(switch: str) -> str:
    """Give the planned port of the router, as the router calls it."""
    return f"P{ON_ROUTER[f'switch:{switch}'].place.rpartition(':')[2]}"


def test_the_routers_ports_are_told_by_the_switches_that_hear_it_there() -> None:
    """Where each hears the router say the name of its planned port, links and ports pass, in whatever case the name is written."""
    links, ports = on_router(**{name: port_of_router(name) for name in SITE.switch})
    assert {item.outcome for item in (*links.values(), *ports.values())} == {Outcome.PASSED}
    assert len(ports) == 3
    assert "the router, port " in links["left"].evidence


def test_two_cables_exchanged_at_the_router_fail_and_its_ports_do_not() -> None:
    """Each is found on the other's port of the router: two links are wrong, the third is not, and no port is dark."""
    called = {name: port_of_router(name) for name in SITE.switch}
    links, ports = on_router(**{**called, "left": called["right"], "right": called["left"]})
    assert {name: item.outcome for name, item in links.items()} == {
        "root": Outcome.PASSED,
        "left": Outcome.FAILED,
        "right": Outcome.FAILED,
    }
    assert {item.outcome for item in ports.values()} == {Outcome.PASSED}


def test_a_cable_in_a_free_port_of_the_router_is_the_links_trouble_alone() -> None:
    """The port that it left is not tested, and says where it went."""
    called = {name: port_of_router(name) for name in SITE.switch}
    links, ports = on_router(**{**called, "left": "p4"})
    assert [name for name, item in links.items() if item.outcome is Outcome.FAILED] == ["left"]
    left = ports[ON_ROUTER["switch:left"].place]
    assert (left.outcome, "another port" in left.evidence) == (Outcome.NOT_TESTED, True)


def test_a_port_of_the_router_that_the_plan_does_not_name_is_not_tested_and_says_its_name() -> None:
    """Nobody asks the router: without a word of it its ports are not tested, and the cure says what would make them so."""
    _, ports = on_router(left="eth7")
    left, right = (ports[ON_ROUTER[f"switch:{name}"].place] for name in ("left", "right"))
    assert {left.outcome, right.outcome} == {Outcome.NOT_TESTED}
    assert '"eth7"' in left.evidence
    assert "router.port_names" in left.cure
    assert "LLDP" in right.cure


def test_a_port_of_the_router_that_is_heard_by_no_switch_says_from_where_it_is() -> None:
    """The box that watches hears the router through switches that say nothing: the port has a link, and that is how it is known."""
    heard = Notice(
        BEGAN, "segment:home", vocabulary.LLDP_NEIGHBOUR, (("chassis", ROUTER), ("name", ""), ("port", "p1"))
    )
    items = judge_ports(prepare(parse_site(STAR), freeze([heard], BEGAN, ENDED)))
    (port,) = [one for one in items if one.place == "router/port:1"]
    assert (port.outcome, port.evidence) == (Outcome.PASSED, "the router is heard there from network home")


ON_METER = PLAN.replace("[closet.loft]", "[closet.loft]\n[closet.hall]").replace(
    "[router]\n",
    '[device.meter]\nkind = "controller"\nat = "hall"\nmac = ["00:00:5e:00:53:66"]\npower = { supply = "802.3", class = 2 }\n'
    '[router]\ncloset = "hall"\nports = [{ count = 4, power = "type 1" }]\n',
)


def test_what_the_router_alone_could_tell_sends_nobody_to_a_switch() -> None:
    """A fed device on the router: neither its port, its cable nor its class can be read from any switch; a look by eye can."""
    seen = Sighting(BEGAN, "home", "00:00:5e:00:53:66", "192.0.2.66", How.ARP)
    trial = prepare(parse_site(ON_METER), freeze([*BY_LLDP, seen], BEGAN, ENDED))
    items = [
        one
        for judge in (judge_ports, judge_patching, judge_class)
        for one in judge(trial)
        if one.place in ("device:meter", "router/port:2")
    ]
    assert len(items) == 3
    for one in items:
        assert one.outcome is Outcome.NOT_TESTED
        assert "the router tells nothing of its ports" in one.evidence
        assert "switch" not in one.cure


def test_a_device_on_the_router_is_looked_for_on_the_ports_of_switches() -> None:
    """Planned on the router and learnt on an edge port of a switch, it is on the wrong port; learnt nowhere, not tested."""
    seen = Sighting(BEGAN, "home", "00:00:5e:00:53:66", "192.0.2.66", How.ARP)
    for where, outcome in (("switch:left/port:5", Outcome.FAILED), (UP["left"], Outcome.NOT_TESTED)):
        told = [*BY_LLDP, seen, learnt(where, "00:00:5e:00:53:66")]
        trial = prepare(parse_site(ON_METER), freeze(told, BEGAN, ENDED))
        (item,) = [one for one in judge_patching(trial) if one.place == "device:meter"]
        assert item.outcome is outcome
        (port,) = [
            one for one in judge_ports(trial) if one.place.startswith("router/") and "tells nothing" in one.evidence
        ]
        assert port.outcome is Outcome.NOT_TESTED
