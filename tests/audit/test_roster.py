from __future__ import annotations

from netaudit.audit.roster import enrol
from netaudit.site.load import parse_site
from tests.audit.scene import CLOCK, DESK, PLAN, small_site


def test_a_mac_of_the_plan_decides_whatever_the_address() -> None:
    """The desk is the desk with a stranger's address, and nobody becomes the desk by taking its address."""
    roster = enrol(small_site())
    known = roster.recognise(DESK, ["192.0.2.99"])
    assert known is not None
    assert known.ref == "device:desk"
    assert roster.recognise("02:00:5e:00:00:99", ["192.0.2.21"]) is None


def test_an_address_decides_where_the_plan_has_no_mac() -> None:
    """The clock is known by its address alone, and so is each gateway."""
    roster = enrol(small_site())
    clock, gateway = (
        roster.recognise(CLOCK, ["192.0.2.30"]),
        roster.recognise("02:00:5e:00:00:01", ["192.0.2.77", "192.0.2.1"]),
    )
    assert clock is not None
    assert gateway is not None
    assert (clock.ref, gateway.ref) == ("device:clock", "segment:home/gateway")


def test_those_without_mac_and_address_are_counted_by_segment() -> None:
    """Ten plugs and two sensors are twelve wireless places on their segment, the sensors' silence the longest."""
    room = enrol(small_site()).rooms["things"]
    assert (room.wifi, room.wired) == (12, 0)
    # The profiles' own offline_after: a sensor 26 h, a plug 10 min.
    assert room.silences_s[:3] == (93_600.0, 93_600.0, 600.0)


def test_each_of_a_group_is_a_thing_of_its_own() -> None:
    """A group of three with two MACs and a first address is three things, each with its own address."""
    more = '[device.eyes]\nkind = "camera"\ncount = 3\nsegment = "home"\naddress = "192.0.2.40"\n'
    macs = 'mac = ["00:00:5e:00:53:41", "00:00:5e:00:53:42"]\n'
    roster = enrol(parse_site(PLAN + more + macs))
    eyes = [thing for thing in roster.things if thing.group == "device:eyes"]
    assert [(thing.ref, thing.mac, thing.address) for thing in eyes] == [
        ("device:eyes/1", "00:00:5e:00:53:41", "192.0.2.40"),
        ("device:eyes/2", "00:00:5e:00:53:42", "192.0.2.41"),
        ("device:eyes/3", None, "192.0.2.42"),
    ]


def test_a_way_leads_up_to_the_router() -> None:
    """What hangs on the shed's switch hangs on the loft's too; a phone with one access point to choose hangs on that."""
    roster = enrol(small_site())
    assert roster.by_ref["device:saw"].way == ("switch:shed", "switch:loft")
    assert roster.by_ref["device:phone"].way == ("access_point:hall", "switch:loft")


def test_a_guessed_gateway_is_known_but_not_missed() -> None:
    """Where the plan leaves the gateway out, the network's first address is the router's, and its silence no fault."""
    roster = enrol(parse_site('[site]\nname = "x"\n[segment.home]\nnetwork = "192.0.2.0/24"\n'))
    gateway = roster.by_ref["segment:home/gateway"]
    assert (gateway.address, gateway.watched) == ("192.0.2.1", False)


def test_a_switch_is_nobody_strange_where_the_plan_knows_it() -> None:
    """By its MAC, or by its address alone (that under snmp too); on the segment that holds the address; above it only its own way."""
    asked = 'snmp = { address = "198.51.100.9", community_env = "WORD" }\n'
    plan = PLAN.replace("ports = 8\n", f'ports = 8\nmac = "00:00:5e:00:53:c1"\n{asked}', 1)
    roster = enrol(parse_site(plan))
    shed = roster.by_ref["switch:shed"]
    assert (shed.segment, shed.address, shed.watched) == ("things", "198.51.100.9", True)
    assert shed.way == ("switch:shed", "switch:loft")
    assert roster.recognise("00:00:5e:00:53:c1", []) == shed
    without = enrol(parse_site(plan.replace('mac = "00:00:5e:00:53:c1"\n', "", 1)))
    known = without.recognise("00:00:5e:00:53:99", ["198.51.100.9"])
    assert known is not None
    assert known.ref == "switch:shed"
    # Whoever has another MAC than the plan's and takes the address is somebody else.
    assert roster.recognise("00:00:5e:00:53:99", ["198.51.100.9"]) is None


def test_a_switch_without_an_address_is_known_and_not_missed() -> None:
    """Of a MAC alone nobody knows whether it answers; of a switch with neither there is nothing to know."""
    roster = enrol(parse_site(PLAN.replace("ports = 8\n", 'ports = 8\nmac = "00:00:5e:00:53:c1"\n', 1)))
    assert not roster.by_ref["switch:shed"].watched
    assert "switch:loft" not in roster.by_ref


def test_the_router_is_known_by_its_macs_where_it_has_none_of_its_addresses() -> None:
    """With its address it is the gateway as ever; heard without, it is the router and no stranger."""
    roster = enrol(parse_site(PLAN + '[router]\nmac = ["00:00:5e:00:53:f1"]\n'))
    gateway, alone = (
        roster.recognise("00:00:5e:00:53:f1", ["192.0.2.1"]),
        roster.recognise("00:00:5e:00:53:f1", ["192.0.2.250"]),
    )
    assert gateway is not None
    assert alone is not None
    assert (gateway.ref, alone.ref) == ("segment:home/gateway", "router")


def test_a_name_that_two_things_have_names_neither() -> None:
    """A switch and an access point that are both called hall can't be told apart by that name; their MACs can."""
    plan = PLAN + '[switch.hall]\nmac = "00:00:5e:00:53:c1"\n'
    roster = enrol(parse_site(plan))
    assert roster.neighbour("00:00:5e:00:53:77", "hall") is None
    assert roster.neighbour("00:00:5e:00:53:c1", "hall") == "switch:hall"
    assert roster.neighbour("00:00:5e:00:53:77", "loft.weir.example") == "switch:loft"


def test_a_switch_that_says_its_name_on_every_port_is_nowhere_wrong() -> None:
    """Heard without an address on another segment it only speaks LLDP there; with one it is in the wrong place, as the desk always is."""
    roster = enrol(
        parse_site(PLAN.replace("ports = 8\n", 'ports = 8\nmac = "00:00:5e:00:53:c1"\naddress = "192.0.2.9"\n', 1))
    )
    shed, desk = roster.by_ref["switch:shed"], roster.by_ref["device:desk"]
    assert not shed.strays("things", addressed=False)
    assert shed.strays("things", addressed=True)
    assert not shed.strays("home", addressed=True)
    assert desk.strays("things", addressed=False)


def test_the_router_is_at_home_on_every_segment() -> None:
    """So is a switch of which only the MAC is known: where its address is nobody said."""
    plan = (
        PLAN.replace("ports = 8\n", 'ports = 8\nmac = "00:00:5e:00:53:c1"\n', 1)
        + '[router]\nmac = ["00:00:5e:00:53:f1"]\n'
    )
    roster = enrol(parse_site(plan))
    assert not roster.router.strays("guests", addressed=True)
    assert not roster.by_ref["switch:shed"].strays("guests", addressed=True)
