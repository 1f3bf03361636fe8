from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity import links
from netaudit.capacity.ethernet import wire_rate_bps
from netaudit.capacity.line import Kind, State
from netaudit.capacity.patching import patch
from netaudit.site.topology import follow
from tests.capacity.wired_plan import line, plan, step

# Router - hall - loft - far: a chain of three switches, one closet each, so that everything has one way.
CHAIN: dict[str, Any] = {
    "closet": {name: {"building": "house"} for name in ("hall", "loft", "far")},
    "room": {f"{name}_room": {"building": "house", "closet": name} for name in ("hall", "loft", "far")},
    "switch": {
        "hall": {"closet": "hall", "ports": [{"count": 24}]},
        "loft": {"closet": "loft", "ports": [{"count": 24}], "uplink": "switch:hall"},
        "far": {"closet": "far", "ports": [{"count": 24}], "uplink": "switch:loft"},
    },
}

# One stream of 1000 packets a second of 1000 octets: 8 Mb/s of packets. On the wire each takes 1000 + 18 + 20 octets
# (IEEE 802.3 clauses 3 and 4): 8.304 Mb/s.
TALKER: dict[str, Any] = {
    "link": "wired",
    "up": {"frames_per_s": 1000, "frame_bytes": 1000},
    "down": {"frames_per_s": 500, "frame_bytes": 1000},
}
WATCHED: dict[str, Any] = {**TALKER, "recorded": True, "outside": 0.0, "down": {"frames_per_s": 0}}
WIRE_BPS = 8.304e6


def chain(**tables: Any) -> Any:
    """Build the chain with profiles `talker` and `watched` and the tables given."""
    return plan(**{**CHAIN, "profile": {"talker": TALKER, "watched": WATCHED}, **tables})


def loads(site: Any) -> links.Loads:
    """Add up a plan's loads."""
    return links.load(site, follow(site), patch(site))


def test_traffic_climbs_to_the_router() -> None:
    """A talker on the last switch loads each uplink on its way, both directions, with preamble and gap."""
    verdict = links.judge(chain(device={"t": {"kind": "talker", "at": "far_room"}}))
    for name in ("far", "loft", "hall"):
        assert line(verdict, Kind.LINK_UP, f"link:switch/{name}").planned == pytest.approx(WIRE_BPS)
        assert line(verdict, Kind.LINK_DOWN, f"link:switch/{name}").planned == pytest.approx(WIRE_BPS / 2)


def test_the_way_out_is_counted_in_packets() -> None:
    """Half of what a talker says leaves the site: 4 Mb/s out and 2 Mb/s in, and the router forwards both."""
    site = chain(
        profile={"talker": {**TALKER, "outside": 0.5}, "watched": WATCHED},
        device={"t": {"kind": "talker", "at": "far_room"}},
    )
    verdict = links.judge(site)
    assert line(verdict, Kind.LINK_UP, "link:wan").planned == pytest.approx(4e6)
    assert line(verdict, Kind.LINK_DOWN, "link:wan").planned == pytest.approx(2e6)
    assert line(verdict, Kind.ROUTED, "router").planned == pytest.approx(6e6)


def test_a_stream_goes_to_the_recorder_where_it_stands() -> None:
    """From the far switch to a recorder on the middle one: up the far uplink, and no other link."""
    site = chain(
        device={"eye": {"kind": "watched", "at": "far_room"}},
        recorder={"vault": {"closet": "loft"}},
    )
    found = loads(site)
    assert found.switch["far"].up_bps == pytest.approx(WIRE_BPS)
    assert found.switch["loft"].up_bps == 0.0
    assert found.switch["hall"].up_bps == 0.0
    assert found.recorder["vault"].down_bps == pytest.approx(WIRE_BPS)
    assert found.routed.up_bps == 0.0


def test_a_stream_comes_down_to_a_recorder_below() -> None:
    """From the hall to a recorder on the far switch: down two uplinks."""
    site = chain(
        device={"eye": {"kind": "watched", "at": "hall_room"}},
        recorder={"vault": {"closet": "far"}},
    )
    found = loads(site)
    assert found.switch["far"].down_bps == pytest.approx(WIRE_BPS)
    assert found.switch["loft"].down_bps == pytest.approx(WIRE_BPS)
    assert found.switch["hall"].down_bps == 0.0


def test_between_segments_a_stream_passes_the_router() -> None:
    """A camera in another segment than its recorder: up to the router and down again, and the router forwards it."""
    site = chain(
        segment={"main": {"network": "10.20.0.0/24"}, "eyes": {"network": "10.20.1.0/24"}},
        device={"eye": {"kind": "watched", "at": "far_room", "segment": "eyes"}},
        recorder={"vault": {"closet": "far", "segment": "main"}},
    )
    found = loads(site)
    for name in ("far", "loft", "hall"):
        assert found.switch[name].up_bps == pytest.approx(WIRE_BPS)
        assert found.switch[name].down_bps == pytest.approx(WIRE_BPS)
    assert found.routed.up_bps == pytest.approx(8e6)
    assert found.wan.up_bps == 0.0


def test_a_stated_stream_is_the_cameras_own() -> None:
    """A camera with a stated 4 Mb/s sends that many packets of its profile's size."""
    site = chain(
        device={"eye": {"kind": "watched", "at": "far_room", "rate": "4 Mb/s"}},
        recorder={"vault": {"closet": "hall"}},
    )
    assert loads(site).recorder["vault"].down_bps == pytest.approx(WIRE_BPS / 2)


def test_a_tagged_segment_takes_four_octets_more() -> None:
    """With a VLAN each frame has 4 octets more (IEEE 802.1Q)."""
    site = chain(
        segment={"main": {"network": "10.20.0.0/24", "vlan": 20}},
        device={"t": {"kind": "talker", "at": "far_room"}},
    )
    assert loads(site).switch["far"].up_bps == pytest.approx(WIRE_BPS + 1000 * 4 * 8)


def test_wireless_devices_come_in_by_their_access_point() -> None:
    """What stations say loads their access point's cable and the uplinks above it."""
    wireless = {**TALKER, "link": "wifi", "bands": ["5"]}
    site = chain(
        profile={"talker": wireless},
        access_point={"attic": {"at": "loft_room"}},
        device={"t": {"kind": "talker", "count": 3, "at": "loft_room"}},
    )
    found = loads(site)
    assert found.access_point["attic"].up_bps == pytest.approx(3 * WIRE_BPS)
    assert found.switch["loft"].up_bps == pytest.approx(3 * WIRE_BPS)
    assert found.switch["far"].up_bps == 0.0


def test_hops_count_the_switches_on_the_way() -> None:
    """The third switch in a row is three hops from the router: at the limit; a fourth would be over."""
    verdict = links.judge(chain())
    assert [line(verdict, Kind.HOPS, f"switch:{name}").planned for name in ("hall", "loft", "far")] == [1, 2, 3]
    assert line(verdict, Kind.HOPS, "switch:far").state is State.WITHIN
    longer = {**CHAIN["switch"], "end": {"closet": "far", "ports": 4, "uplink": "switch:far"}}
    assert line(links.judge(chain(switch=longer)), Kind.HOPS, "switch:end").state is State.OVER


def test_oversubscription_is_said_where_it_is_much() -> None:
    """22 computers of 1 Gb/s and one link on a 1 Gb/s uplink are 23 to 1, more than the usual 20."""
    site = chain(device={"desk": {"kind": "desktop", "count": 22, "at": "loft_room"}})
    found = line(links.judge(site), Kind.LINK_UP, "link:switch/loft")
    assert step(found, "access rates") == 23.0
    assert "23 to 1" in found.note


def test_a_link_is_as_fast_as_its_slower_end() -> None:
    """An uplink planned with 1 Gb/s on a 100 Mb/s port carries 100 Mb/s, whichever end the slow port is on."""
    slow = [{"count": 24, "rate": "100 Mb/s"}]
    for end in ("loft", "far"):
        switches = {**CHAIN["switch"], end: {**CHAIN["switch"][end], "ports": slow}}
        found = line(links.judge(chain(switch=switches)), Kind.LINK_UP, "link:switch/far")
        assert found.supply == 100e6


def test_a_recorders_cable_keeps_half_free() -> None:
    """The ceiling of a recorder's link is 50 % (common practice, no source)."""
    site = chain(recorder={"vault": {"closet": "hall"}})
    assert line(links.judge(site), Kind.LINK_DOWN, "link:recorder/vault").ceiling == 0.5


placed = st.lists(
    st.tuples(st.sampled_from(["talker", "watched"]), st.sampled_from(["hall", "loft", "far"]), st.integers(1, 3)),
    min_size=1,
    max_size=5,
)


def table(listed: list[tuple[str, str, int]]) -> dict[str, Any]:
    """Make a device table."""
    return {f"d{i}": {"kind": kind, "at": f"{at}_room", "count": n} for i, (kind, at, n) in enumerate(listed)}


@settings(max_examples=40, deadline=None)  # each example builds two plans
@given(placed, st.sampled_from(["hall", "loft", "far"]))
def test_nothing_is_lost_on_the_way(listed: list[tuple[str, str, int]], stands: str) -> None:
    """All streams arrive at the recorder, and the top uplink carries all that is not recorded and no more."""
    site = chain(device=table(listed), recorder={"vault": {"closet": stands}})
    found = loads(site)
    said = {kind: sum(n for one, _, n in listed if one == kind) * WIRE_BPS for kind in ("talker", "watched")}
    assert found.recorder["vault"].down_bps == pytest.approx(said["watched"])
    assert found.switch["hall"].up_bps == pytest.approx(said["talker"])
    assert found.wan.up_bps == pytest.approx(said["talker"] * 8e6 / WIRE_BPS)


@settings(max_examples=40, deadline=None)  # each example builds three plans
@given(placed, placed)
def test_more_devices_never_lower_a_load_and_splitting_changes_none(
    listed: list[tuple[str, str, int]], more: list[tuple[str, str, int]]
) -> None:
    """Each link line is at least as high with more devices, and the same for a group and its single devices."""
    recorder = {"vault": {"closet": "loft"}}

    def judged(given_: list[tuple[str, str, int]]) -> dict[tuple[str, str], float]:
        verdict = links.judge(chain(device=table(given_), recorder=recorder))
        return {(one.kind, one.place): one.planned for one in verdict.lines}

    before, after = judged(listed), judged([*listed, *more])
    assert all(after[key] >= value - 1e-6 for key, value in before.items())
    split = judged([(kind, at, 1) for kind, at, n in listed for _ in range(n)])
    assert split == pytest.approx(before)


def test_the_profile_and_the_wire_agree() -> None:
    """Line time of a profile's packets is what the frame arithmetic says (two ways agree)."""
    assert wire_rate_bps(1000, 1000) == pytest.approx(WIRE_BPS)
