"""Who is behind which port, from what switches told; whole uplinks are judged in acceptance/checks/test_uplinks.py."""

from __future__ import annotations

from datetime import UTC, datetime

from netaudit.audit import vocabulary
from netaudit.audit.roster import enrol
from netaudit.audit.wiring import wire_up
from netaudit.observe.observation import Notice
from netaudit.site.load import parse_site
from tests.audit.scene import CLOCK, DESK, PHONE, PLAN, small_site

NOW = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
PORT, OTHER = "switch:loft/port:3", "switch:loft/port:4"


def learnt(place: str, mac: str) -> Notice:
    """A forwarding table has a MAC there."""
    return Notice(NOW, place, vocabulary.FORWARDING, (("mac", mac),))


def neighbour(place: str, name: str, chassis: str = "") -> Notice:
    """A neighbour says its name there."""
    return Notice(NOW, place, vocabulary.LLDP_NEIGHBOUR, (("chassis", chassis), ("name", name)))


def test_macs_become_what_the_plan_calls_them() -> None:
    """By the plan's MAC, or by who was seen with it on the network; whom nobody knows is left out."""
    roster = enrol(small_site())
    clock = roster.by_ref["device:clock"]
    told = [learnt(PORT, DESK), learnt(PORT, CLOCK), learnt(OTHER, "00:00:5e:00:53:99")]
    assert wire_up(roster, told, {CLOCK: clock}).learnt == {PORT: {"device:desk", "device:clock"}}
    assert wire_up(roster, told, {}).learnt == {PORT: {"device:desk"}}


def test_the_router_is_one_device_whichever_of_its_addresses_was_seen() -> None:
    """Seen as the gateway of a segment, or known by a MAC of the plan: the router."""
    roster = enrol(parse_site(PLAN + '[router]\nmac = ["00:00:5e:00:53:f1"]\n'))
    seen = {"00:00:5e:00:53:f2": roster.by_ref["segment:things/gateway"]}
    told = [learnt(PORT, "00:00:5e:00:53:f1"), learnt(OTHER, "00:00:5e:00:53:f2")]
    wiring = wire_up(roster, told, seen)
    assert wiring.learnt == {PORT: {"router"}, OTHER: {"router"}}
    assert wiring.leading() == {PORT, OTHER}


def test_a_neighbours_own_word_counts_before_what_was_learnt() -> None:
    """The shed is learnt on one port and says itself that it is on another: there it is."""
    roster = enrol(parse_site(PLAN.replace("ports = 8\n", 'ports = 8\nmac = "00:00:5e:00:53:c1"\n', 1)))
    told = [learnt(OTHER, "00:00:5e:00:53:c1")]
    assert wire_up(roster, told, {}).places("switch:loft", "switch:shed") == (frozenset({OTHER}), False)
    told.append(neighbour(PORT, "shed"))
    wiring = wire_up(roster, told, {})
    assert wiring.places("switch:loft", "switch:shed") == (frozenset({PORT}), True)
    assert wiring.places("switch:shed", "switch:loft") == (frozenset(), False)


def test_a_port_with_devices_alone_leads_nowhere() -> None:
    """A desk and a telephone behind one port are no switch."""
    wiring = wire_up(enrol(small_site()), [learnt(PORT, DESK), learnt(PORT, PHONE)], {})
    assert wiring.leading() == frozenset()
    assert wiring.heard() == {"switch:loft", "device:desk", "device:phone"}
