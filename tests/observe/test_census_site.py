"""A census beside a plan: who is who, who is missing, who is nobody's."""

from __future__ import annotations

from ipaddress import IPv4Address
from typing import Any

import pytest

from netaudit.observe.census import Census
from netaudit.observe.census_document import describe, has_findings
from netaudit.observe.census_site import expected
from netaudit.observe.census_sort import FrameSorter
from netaudit.site.load import parse_site
from netaudit.wire.arp import encode_arp_request
from netaudit.wire.capture import Interface
from netaudit.wire.dot11 import encode_beacon

PLAN = """
[site]
name = "Mill"
[segment.family]
network = "10.1.0.0/24"
vlan = 10
[segment.gadgets]
network = "10.2.0.0/24"
vlan = 20
[closet.pantry]
[router]
[switch.pantry]
[device.desk]
kind = "computer"
segment = "family"
mac = ["02:00:00:00:01:01"]
[device.lamp]
kind = "plug"
segment = "gadgets"
mac = ["02:00:00:00:02:01"]
[device.visitor]
kind = "phone"
segment = "family"
mac = ["02:00:00:00:01:09"]
may_be_absent = true
[device.meter]
kind = "plug"
segment = "gadgets"
address = "10.2.0.50"
count = 2
[device.plugs]
kind = "plug"
segment = "gadgets"
count = 2
[access_point.attic]
bssids = ["02:00:00:00:0a:01"]
[profile.computer]
link = "wired"
[profile.plug]
link = "wifi"
[profile.phone]
link = "wifi"
"""


@pytest.fixture(scope="module")
def plan() -> Any:
    """Give what the plan expects."""
    return expected(parse_site(PLAN))


def hear(plan: Any, *claims: tuple[str, str], vlan: int | None = None) -> dict[str, Any]:
    """Take a census of announcements (MAC, address)."""
    census = Census()
    sorter = FrameSorter(census)
    for mac, address in claims:
        own = IPv4Address(address)
        frame = encode_arp_request(bytes.fromhex(mac.replace(":", "")), own, own)
        if vlan is not None:
            frame = frame[:12] + b"\x81\x00" + vlan.to_bytes(2, "big") + frame[12:]
        sorter.take([(0, len(frame), frame, Interface(1))])
    sorter.settle()
    return describe(census, (), plan)


def test_devices_are_known_by_mac_by_fixed_address_and_the_router_by_its_gateways(plan: Any) -> None:
    """Each heard device with its place and its segment; a stranger has a segment and no place."""
    document = hear(
        plan,
        ("02:00:00:00:01:01", "10.1.0.20"),
        ("02:00:00:00:02:77", "10.2.0.51"),
        ("02:00:00:00:00:99", "10.1.0.1"),
        ("02:00:00:00:03:33", "10.2.0.99"),
    )
    assert {one["mac"]: (one["planned"], one["segment"]) for one in document["devices"]} == {
        "02:00:00:00:01:01": ("device:desk", "family"),
        "02:00:00:00:02:77": ("device:meter", "gadgets"),
        "02:00:00:00:00:99": ("router", "family"),
        "02:00:00:00:03:33": (None, "gadgets"),
    }


def test_a_segment_is_known_by_its_vlan_too(plan: Any) -> None:
    """An address of no planned network, heard on VLAN 20: the segment is gadgets."""
    document = hear(plan, ("02:00:00:00:03:33", "169.254.7.7"), vlan=20)
    assert document["devices"][0]["segment"] == "gadgets"


def test_missing_is_who_should_speak_where_something_was_heard(plan: Any) -> None:
    """Of the silent ones, only those in a segment that was heard; who may be absent is not missed."""
    document = hear(plan, ("02:00:00:00:03:33", "10.2.0.99"))
    assert document["faults"]["missing"] == [{"mac": "02:00:00:00:02:01", "planned": "device:lamp"}]
    document = hear(plan, ("02:00:00:00:01:01", "10.1.0.20"))
    assert document["faults"]["missing"] == []


def test_as_many_strangers_as_the_plan_leaves_unnamed_are_nobody_new(plan: Any) -> None:
    """Two plugs have neither MAC nor address in the plan: two strangers among the gadgets are they, the third isn't."""
    lamp = ("02:00:00:00:02:01", "10.2.0.20")
    strangers = [(f"02:00:00:00:03:0{number}", f"10.2.0.9{number}") for number in range(3)]
    document = hear(plan, lamp, *strangers[:2])
    assert document["faults"]["unplanned"] == []
    assert not has_findings(document)
    document = hear(plan, lamp, *strangers)
    assert document["faults"]["unplanned"] == [{"segment": "gadgets", "room": 2, "macs": [mac for mac, _ in strangers]}]
    assert has_findings(document)


def test_radios_are_known_by_bssid(plan: Any) -> None:
    """A planned access point by its BSSID; another radio is unknown, and its device isn't counted as a stranger."""
    census = Census()
    sorter = FrameSorter(census)
    for bssid in ("020000000a01", "020000000bad"):
        data = bytes.fromhex("0000080000000000") + encode_beacon(bytes.fromhex(bssid), "mill", 6)
        sorter.take([(0, len(data), data, Interface(127))])
    sorter.settle()
    document = describe(census, (), plan)
    assert [radio["planned"] for radio in document["radios"]] == ["attic", None]
    assert document["faults"]["unknown_radios"] == ["02:00:00:00:0b:ad"]
    assert document["faults"]["unplanned"] == []


def test_without_a_plan_nobody_is_missing_or_unknown() -> None:
    """No plan, no judgement."""
    faults = hear(None, ("02:00:00:00:03:33", "10.2.0.99"))["faults"]
    assert (faults["missing"], faults["unplanned"], faults["unknown_radios"]) == ([], [], [])


def test_switches_and_the_router_are_known_by_their_macs() -> None:
    """By MAC wherever they speak, a switch without one by its address; only a switch that has an address is missed."""
    plan = PLAN.replace(
        "[router]\n[switch.pantry]\n",
        '[router]\nmac = ["02:00:00:00:00:f1"]\n[switch.pantry]\nmac = "02:00:00:00:00:c1"\n'
        '[switch.shed]\nmac = "02:00:00:00:00:c2"\naddress = "10.1.0.4"\n[switch.loft]\naddress = "10.1.0.5"\n',
    )
    document = hear(
        expected(parse_site(plan)),
        ("02:00:00:00:00:f1", "10.1.0.99"),
        ("02:00:00:00:00:c1", "10.1.0.98"),
        ("02:00:00:00:00:77", "10.1.0.5"),
    )
    assert {one["mac"]: one["planned"] for one in document["devices"]} == {
        "02:00:00:00:00:f1": "router",
        "02:00:00:00:00:c1": "switch:pantry",
        "02:00:00:00:00:77": "switch:loft",
    }
    missing = {one["planned"] for one in document["faults"]["missing"]}
    assert "switch:shed" in missing
    assert not missing & {"router", "switch:pantry"}
