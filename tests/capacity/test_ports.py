from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity import ports
from netaudit.capacity.line import Kind, State
from netaudit.capacity.patching import patch
from netaudit.site.load import build_site
from tests.capacity.wired_plan import kinds, line, plan, step


def dropped(**drop: Any) -> Any:
    """Build a plan with one computer on one drop from the hall to the kitchen."""
    return plan(
        device={"desk": {"kind": "desktop", "at": "kitchen"}},
        drop={"d": {"starts": "hall", "ends": "kitchen", "feeds": "device:desk", **drop}},
    )


def test_ports_are_counted_with_both_ends_of_each_link() -> None:
    """Two switches in a row: the upper one has the lower one's end, its own uplink and its devices."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 8}]},
            "loft": {
                "closet": "loft",
                "ports": [{"count": 5, "rate": "100 Mb/s"}, {"count": 1}],
                "uplink": "switch:hall",
            },
        },
        device={"desk": {"kind": "desktop", "count": 4, "at": "kitchen"}},
    )
    verdict = ports.judge(site)
    hall = line(verdict, Kind.PORTS, "switch:hall")
    assert (hall.supply, hall.planned, hall.grown) == (8, 6, 7)
    assert step(hall, "spare") == 2
    assert line(verdict, Kind.PORTS, "switch:loft").planned == 1
    assert line(verdict, Kind.PORTS, "router").planned == 1
    closet = line(verdict, Kind.PORTS, "closet:hall")
    # The router stands in the hall with its four ports.
    assert (closet.supply, closet.planned) == (12, 7)


def test_ports_are_listed_by_speed_and_kind() -> None:
    """A switch's ports stand in its line by rate, medium and power."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 8}, {"count": 2, "rate": "10 Gb/s", "medium": "fibre"}]}}
    )
    found = line(ports.judge(site), Kind.PORTS, "switch:hall")
    assert step(found, "copper ports, 1000 Mb/s") == 8
    assert step(found, "fibre ports, 10000 Mb/s") == 2


def test_a_closet_with_more_drops_than_ports_is_over() -> None:
    """What finds no port is still counted, and named."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 3}]}},
        device={"desk": {"kind": "desktop", "count": 4, "at": "kitchen"}},
        router={"closet": "hall", "ports": [{"count": 1}]},
    )
    verdict = ports.judge(site)
    found = line(verdict, Kind.PORTS, "closet:hall")
    assert (found.supply, found.planned, found.state) == (4, 6, State.OVER)
    assert kinds(verdict) == ["no_port closet:hall"]


def test_without_a_closet_the_router_is_what_has_no_port() -> None:
    """Three access points on a router of two ports, in a plan without closets and switches: the router is named."""
    points = {f"p{number}": {"power": {"supply": "mains"}} for number in range(3)}
    site = build_site(
        {
            "site": {"name": "flat"},
            "segment": {"home": {"network": "192.0.2.0/24", "ssid": "flat"}},
            "router": {"ports": 2},
            "access_point": points,
        }
    )
    assert kinds(ports.judge(site)) == ["no_port router"]


def test_a_good_drop_says_nothing() -> None:
    """90 m of Cat6 at 1 Gb/s from a closet with a switch is as it should be."""
    assert kinds(ports.judge(dropped(length="90 m"))) == []


# ANSI/TIA-568.2-D 6.3, 6.4: 90 m fixed, 100 m with cords. IEEE 802.3 clause 55, TIA TSB-155-A: 10 Gb/s on Cat6 to 55 m.
# ANSI/TIA-568.2-D 6.7: 9.38 ohm for 100 m of one conductor.
@pytest.mark.parametrize(
    ("drop", "flaw", "cure"),
    [
        ({"length": "91 m"}, "cable_too_long", "use fibre"),
        ({"length": "46 m", "rate": "10 Gb/s"}, "category_too_low", "pull Cat6A"),
        ({"category": "cat5e", "rate": "10 Gb/s"}, "category_too_low", "pull Cat6"),
        ({"category": "cat5", "rate": "2.5 Gb/s"}, "category_too_low", "pull Cat5e"),
        ({"gauge": 26}, "conductor_too_thin", "AWG 24"),
        ({"temperature": "61 degC"}, "cable_too_warm", "another way"),
        ({"starts": "loft"}, "drop_without_switch", "put a switch into loft"),
        ({"ends": "yard", "surge_protected": True}, "drop_ends_elsewhere", "end it in kitchen"),
    ],
)
def test_each_fault_of_a_drop_is_named_with_its_cure(drop: dict[str, Any], flaw: str, cure: str) -> None:
    """One fault, one flaw, and the cure says what to do."""
    verdict = ports.judge(dropped(**drop))
    (found,) = verdict.flaws
    assert (found.kind, found.place) == (flaw, "drop:d")
    assert cure in found.cure


def test_fibre_has_no_copper_limits() -> None:
    """300 m of fibre at 10 Gb/s has no flaw of length, category or conductor."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 2}, {"count": 2, "medium": "fibre", "rate": "10 Gb/s"}]}
        },
        device={"store": {"kind": "server", "at": "kitchen", "rate": "10 Gb/s"}},
        drop={
            "d": {"starts": "hall", "ends": "kitchen", "category": "fibre", "length": "300 m", "feeds": "device:store"}
        },
    )
    assert kinds(ports.judge(site)) == []


def test_a_drop_whose_switch_stands_elsewhere_is_a_flaw() -> None:
    """The plan patches a device to a switch that isn't in the closet where its drop starts."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 4}]},
            "loft": {"closet": "loft", "ports": [{"count": 4}], "uplink": "switch:hall", "uplink_medium": "copper"},
        },
        device={"desk": {"kind": "desktop", "at": "kitchen", "switch": "loft"}},
        drop={"d": {"starts": "hall", "ends": "kitchen", "feeds": "device:desk"}},
    )
    assert "drop_without_switch drop:d" in kinds(ports.judge(site))


def test_a_drop_that_two_things_claim_is_a_flaw() -> None:
    """One drop feeds one thing."""
    site = plan(
        device={
            "desk": {"kind": "desktop", "at": "kitchen"},
            "store": {"kind": "server", "at": "kitchen", "drop": "d"},
        },
        drop={"d": {"starts": "hall", "ends": "kitchen", "feeds": "device:desk"}},
    )
    assert kinds(ports.judge(site)) == ["drop_claimed_twice drop:d"]


def test_a_drop_to_something_wireless_is_a_flaw() -> None:
    """A cable that feeds a wireless device feeds nothing."""
    site = plan(
        access_point={"attic": {"at": "kitchen"}},
        device={"plug": {"kind": "plug", "at": "kitchen"}},
        drop={"d": {"starts": "hall", "ends": "kitchen", "feeds": "device:plug"}},
    )
    assert kinds(ports.judge(site)) == ["drop_to_wireless drop:d"]


def test_the_drawn_cable_says_what_a_link_is() -> None:
    """An uplink whose drop is fibre takes fibre ports at both ends, whatever its default."""
    mixed = [{"count": 4}, {"count": 1, "medium": "fibre"}]
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": mixed},
            "loft": {"closet": "loft", "ports": mixed, "uplink": "switch:hall", "uplink_drop": "d"},
        },
        drop={"d": {"starts": "hall", "ends": "loft", "category": "fibre", "feeds": "switch:loft"}},
    )
    assert kinds(ports.judge(site)) == []
    ends = {(one.switch, one.first_port) for one in patch(site).patches if one.plug.medium == "fibre"}
    assert ends == {("hall", 5), ("loft", 5)}


def test_a_slow_port_is_a_flaw() -> None:
    """A 1 Gb/s computer on a 100 Mb/s port is named, and so is an uplink that no port is fast enough for."""
    site = plan(
        switch={
            "hall": {
                "closet": "hall",
                "ports": [{"count": 8, "rate": "100 Mb/s"}],
                "uplink_rate": "1 Gb/s",
            }
        },
        device={"desk": {"kind": "desktop", "at": "kitchen"}},
    )
    assert sorted(kinds(ports.judge(site))) == ["slow_port device:desk", "slow_port switch:hall"]


def test_copper_between_buildings_is_a_hazard() -> None:
    """A copper drop or uplink between two buildings is a hazard; fibre, or protection at both ends, is none."""
    copper = {"starts": "hall", "ends": "yard"}
    assert kinds(ports.judge(plan(drop={"d": copper}))) == ["copper_between_buildings drop:d"]
    assert kinds(ports.judge(plan(drop={"d": {**copper, "category": "fibre"}}))) == []
    assert kinds(ports.judge(plan(drop={"d": {**copper, "surge_protected": True}}))) == []
    switches = {
        "hall": {"closet": "hall", "ports": [{"count": 4}, {"count": 1, "medium": "fibre"}]},
        "loft": {"closet": "loft", "ports": [{"count": 4}, {"count": 1, "medium": "fibre"}], "uplink": "switch:hall"},
    }
    assert kinds(ports.judge(plan(switch=switches))) == ["copper_between_buildings switch:loft"]
    switches["loft"]["uplink_medium"] = "fibre"
    assert kinds(ports.judge(plan(switch=switches))) == []


def test_what_is_not_built_for_weather_stays_inside() -> None:
    """A computer or an access point in a yard is a hazard; a camera built for it is none."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 8}]},
            "loft": {"closet": "loft", "ports": [{"count": 8}], "uplink": "switch:hall", "uplink_medium": "copper"},
        },
        device={
            "desk": {"kind": "desktop", "at": "yard"},
            "eye": {"kind": "camera", "at": "yard"},
            "own": {"kind": "camera", "at": "yard", "outdoor": False},
        },
        access_point={"yard": {"at": "yard"}, "mast": {"at": "yard", "outdoor": True}},
    )
    outside = [one.place for one in ports.judge(site).hazards if one.kind == "not_for_outdoors"]
    assert outside == ["access_point:yard", "device:desk", "device:own"]


def test_the_longest_run_of_a_closet_is_its_cable_line() -> None:
    """The line names the longest fixed copper cable against 90 m; fibre doesn't count."""
    site = plan(
        drop={
            "a": {"starts": "hall", "ends": "kitchen", "length": "30 m"},
            "b": {"starts": "hall", "ends": "kitchen", "length": "70 m"},
            "c": {"starts": "hall", "ends": "kitchen", "length": "400 m", "category": "fibre"},
        }
    )
    found = line(ports.judge(site), Kind.CABLE, "closet:hall")
    assert (found.supply, found.planned) == (90.0, 70.0)


@settings(max_examples=50, deadline=None)  # each example builds two plans
@given(st.lists(st.integers(1, 5), min_size=1, max_size=5))
def test_splitting_a_group_changes_no_line(counts: list[int]) -> None:
    """Groups and the same devices one by one need the same ports everywhere; one more needs one more."""

    def judged(listed: list[int]) -> list[tuple[str, str, float, float]]:
        device = {f"d{i}": {"kind": "desktop", "count": n, "at": "kitchen"} for i, n in enumerate(listed)}
        return [(one.kind, one.place, one.supply, one.planned) for one in ports.judge(plan(device=device)).lines]

    assert judged(counts) == judged([1] * sum(counts))
    before = {(kind, place): planned for kind, place, _, planned in judged(counts)}
    after = {(kind, place): planned for kind, place, _, planned in judged([*counts, 1])}
    assert after[Kind.PORTS, "closet:hall"] == before[Kind.PORTS, "closet:hall"] + 1
