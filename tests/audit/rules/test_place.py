from __future__ import annotations

from netaudit.audit.rules.place import PORT, SEGMENT
from tests.audit.scene import BOX, DESK, PHONE, Scene, stranger


def test_a_known_device_on_another_segment_is_found() -> None:
    """The box belongs on home; on things it is in the wrong place, and at home it is not."""
    assert Scene().here(BOX, "things").holds(SEGMENT) == {"device:box": "segment"}
    assert Scene().everybody().holds(SEGMENT) == {}


def test_who_has_just_moved_back_is_not_in_the_wrong_place() -> None:
    """Heard on things ten minutes ago and at home just now, it is at home."""
    scene = Scene().here(BOX, "home", ago_s=10).here(BOX, "things", ago_s=500)
    assert scene.holds(SEGMENT) == {}
    assert Scene().here(BOX, "home", ago_s=500).here(BOX, "things", ago_s=10).holds(SEGMENT) == {
        "device:box": "segment"
    }


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
