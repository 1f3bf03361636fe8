from __future__ import annotations

from datetime import timedelta

from netaudit.audit.rules.place import PORT, SEGMENT
from tests.audit.scene import BOX, DESK, NOW, PHONE, Scene, stranger


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
