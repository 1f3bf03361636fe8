from __future__ import annotations

from datetime import timedelta

from netaudit.audit.rules.place import PORT, SEGMENT
from netaudit.site.load import parse_site
from tests.audit.scene import BOX, DESK, NOW, PHONE, PLAN, SAW, Scene, stranger


def test_a_known_device_on_another_segment_is_found() -> None:
    """The box belongs on home; on things it is in the wrong place, and at home it is not."""
    assert Scene().here(BOX, "things").holds(SEGMENT) == {"device:box": "segment"}
    assert Scene().everybody().holds(SEGMENT) == {}


def test_who_is_heard_at_home_as_well_is_not_in_the_wrong_place() -> None:
    """Heard at home since it came to things, it is back or stands on both; not heard at home since, it has moved."""
    came = NOW - timedelta(seconds=300)
    both = Scene().here(BOX, "home", ago_s=200).here(BOX, "things", ago_s=10, since=came)
    assert both.holds(SEGMENT) == {}
    moved = Scene().here(BOX, "home", ago_s=400).here(BOX, "things", ago_s=10, since=came)
    assert moved.holds(SEGMENT) == {"device:box": "segment"}


def test_a_device_learnt_on_another_switch_is_found_on_edge_ports_only() -> None:
    """Alone on a port of the loft's switch, the desk is patched wrongly; among many on its uplink port it only passes."""
    alone = Scene().notice("switch:loft/port:7", "forwarding", mac=DESK)
    assert alone.holds(PORT) == {"device:desk": "port"}
    uplink = Scene()
    for mac in (DESK, BOX, *(stranger(number) for number in range(5))):
        uplink.notice("switch:loft/port:7", "forwarding", mac=mac)
    assert uplink.holds(PORT) == {}
    assert Scene().notice("switch:shed/port:2", "forwarding", mac=DESK).holds(PORT) == {}


def test_wireless_devices_have_no_port() -> None:
    """A telephone learnt wherever is patched nowhere."""
    assert Scene().notice("switch:shed/port:2", "forwarding", mac=PHONE).holds(PORT) == {}


ROUTER = "00:00:5e:00:53:f1"


def test_who_passes_on_to_another_switch_is_not_patched_there() -> None:
    """The saw is learnt on the loft's port to the shed, alone with the shed's switch: that port leads on."""
    port = "switch:loft/port:3"
    lone = Scene().notice(port, "forwarding", mac=SAW)
    assert lone.holds(PORT) == {"device:saw": "port"}
    leading = lone.notice(port, "lldp_neighbour", chassis="00:00:5e:00:53:c1", name="shed")
    assert leading.holds(PORT) == {}


def test_a_switch_on_another_switch_than_planned_is_found_by_its_own_word() -> None:
    """The loft's switch belongs on the router; it is seen by the shed's on a port that doesn't lead to the router."""
    seen = Scene().notice("switch:shed/port:2", "lldp_neighbour", chassis="", name="loft")
    # The plan hangs the shed on the loft, so that is how it should be.
    assert seen.holds(PORT) == {}
    far = '[switch.far]\nuplink = "router"\nports = 8\n'
    plan = parse_site(PLAN + far)
    told = Scene(plan).notice("switch:loft/port:2", "lldp_neighbour", chassis="", name="far")
    # Which of the two hangs on the other isn't known before the way to the router is.
    assert told.holds(PORT) == {}
    told.here(ROUTER, "home", address="192.0.2.1").notice("switch:loft/port:1", "forwarding", mac=ROUTER)
    assert told.holds(PORT) == {"switch:far": "port"}
