from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from netaudit.capacity import poe
from netaudit.capacity.line import Kind, State
from tests.capacity.wired_plan import kinds, line, plan, step

POWERED = [{"count": 4}, {"count": 16, "power": "type 2"}]


def fed(**tables: Any) -> Any:
    """Build a plan around a switch with sixteen type 2 ports."""
    return plan(**{"switch": {"hall": {"closet": "hall", "ports": POWERED, "supply": "370 W"}}, **tables})


# Trade rules: 6 W a camera, 5 W an access point (common practice, no source), worked there as 12 and 5 of them: 97 W.
# Classes: IEEE 802.3 Table 33-7, 12 x 15.4 W and 3 x 30 W set aside for class 3 and class 4.
def test_three_reckonings_stand_side_by_side() -> None:
    """By class, by stated draw with the loss of the cables, and by rule of thumb."""
    site = fed(
        device={"eye": {"kind": "camera", "count": 12, "at": "kitchen"}},
        access_point={name: {"at": "kitchen"} for name in ("a", "b", "c")},
    )
    found = line(poe.judge(site), Kind.POWER, "switch:hall")
    assert found.planned == pytest.approx(12 * 15.4 + 3 * 30.0)
    assert step(found, "set aside by class") == pytest.approx(found.planned)
    assert step(found, "by rule of thumb") == pytest.approx(12 * 6.0 + 3 * 5.0)
    draw_w = 12 * 6.0 + 3 * 13.0
    assert step(found, "stated draw at the devices") == pytest.approx(draw_w)
    assert step(found, "stated draw at the ports") == pytest.approx(draw_w + step(found, "lost in the cables"))
    assert 0.0 < step(found, "lost in the cables") < 0.1 * draw_w


def test_the_supply_is_judged_at_its_ceiling() -> None:
    """80 % of 370 W is 296 W: 274.8 W is within; with 200 W it is over and the note says that the draw would fit."""
    tables: dict[str, Any] = {
        "device": {"eye": {"kind": "camera", "count": 12, "at": "kitchen"}},
        "access_point": {name: {"at": "kitchen"} for name in ("a", "b", "c")},
    }
    assert line(poe.judge(fed(**tables)), Kind.POWER, "switch:hall").state is State.WITHIN
    small = plan(switch={"hall": {"closet": "hall", "ports": POWERED, "supply": "200 W"}}, **tables)
    found = line(poe.judge(small), Kind.POWER, "switch:hall")
    assert found.state is State.OVER
    assert "the draw fits" in found.note


# Reference row poe142: 60 m of AWG 24 at 20 degC loop 5.0528 ohm; the circuit (50 - I R) I = 20 W solved by scipy.
def test_the_real_cable_decides_the_loss() -> None:
    """The loss is that of the drop's gauge, length and temperature."""
    site = fed(
        device={
            "eye": {"kind": "camera", "at": "kitchen", "power": {"supply": "802.3", "class": 4, "draw": "20 W"}},
        },
        drop={
            "d": {"starts": "hall", "ends": "kitchen", "length": "60 m", "gauge": 24, "feeds": "device:eye"},
        },
    )
    current_a = brentq(lambda amps: (50.0 - amps * 5.0528) * amps - 20.0, 0.0, 4.0)
    found = line(poe.judge(site), Kind.POWER, "switch:hall")
    assert step(found, "lost in the cables") == pytest.approx(current_a**2 * 5.0528, rel=1e-4)


def test_a_live_port_facing_a_stranger_is_a_hazard() -> None:
    """A computer on an always-on 24 V port comes first in the verdict, and the cure is to move it."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 2}, {"count": 2, "power": "passive 24 V"}]}},
        device={"desk": {"kind": "desktop", "count": 2, "at": "kitchen"}},
    )
    (hazard,) = poe.judge(site).hazards
    assert (hazard.kind, hazard.place) == ("live_port", "device:desk")


def test_a_live_port_facing_what_asks_for_it_is_none() -> None:
    """A device that asks for always-on 24 V is fed without a hazard, and its draw counts for the supply."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 2}, {"count": 1, "power": "passive 24 V"}], "supply": "24 W"}
        },
        device={"old": {"kind": "desktop", "at": "kitchen", "power": {"supply": "passive 24 V", "draw": "8 W"}}},
    )
    verdict = poe.judge(site)
    assert kinds(verdict) == []
    assert line(verdict, Kind.POWER, "switch:hall").planned == 8.0


@pytest.mark.parametrize("supply", ["802.3", "mains", "battery"])
def test_a_live_injector_is_a_hazard_for_all_others(supply: str) -> None:
    """An always-on injector in front of anything that doesn't ask for exactly that is a hazard."""
    site = plan(
        device={"thing": {"kind": "desktop", "at": "kitchen", "power": {"supply": supply, "draw": "5 W"}}},
        injector={"brick": {"feeds": "device:thing", "power": "passive 24 V", "supply": "12 W"}},
    )
    assert "live_port device:thing" in kinds(poe.judge(site))


def test_spare_live_ports_are_named() -> None:
    """Always-on ports with nothing planned for them are a flaw of the switch."""
    site = plan(switch={"hall": {"closet": "hall", "ports": [{"count": 4}, {"count": 2, "power": "passive 24 V"}]}})
    assert kinds(poe.judge(site)) == ["spare_live_port switch:hall"]


def test_a_device_that_needs_more_than_its_port_is_a_hazard() -> None:
    """A class 6 device on type 2 ports is underfed, with a line that says what can arrive."""
    site = fed(device={"big": {"kind": "desktop", "at": "kitchen", "power": {"supply": "802.3", "class": 6}}})
    verdict = poe.judge(site)
    assert kinds(verdict) == ["underfed device:big"]
    found = line(verdict, Kind.PORT_POWER, "device:big")
    # Table 145-26: 51 W for class 6; 30 W less 0.6^2 A^2 x 12.5 ohm is 25.5 W.
    assert found.planned == 51.0
    assert found.supply == pytest.approx(25.5)
    assert found.state is State.OVER


@pytest.mark.parametrize("power_class", range(9))
def test_every_class_is_fed_through_the_longest_cable(power_class: int) -> None:
    """A device of each class on a port of its type, with no cable stated, is fed in full: the standard promises it."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 2}, {"count": 1, "power": "type 4"}], "supply": "100 W"}
        },
        device={"thing": {"kind": "desktop", "at": "kitchen", "power": {"supply": "802.3", "class": power_class}}},
    )
    assert kinds(poe.judge(site)) == []


def test_a_long_thin_warm_cable_starves_its_device() -> None:
    """200 m of AWG 26 at 60 degC keep so much that a class 4 device gets too little."""
    site = fed(
        access_point={"far": {"at": "kitchen", "power": {"supply": "802.3", "class": 4, "draw": "25 W"}}},
        drop={
            "d": {
                "starts": "hall",
                "ends": "kitchen",
                "length": "200 m",
                "gauge": 26,
                "temperature": "60 degC",
                "feeds": "access_point:far",
            }
        },
    )
    assert kinds(poe.judge(site)) == ["underfed access_point:far"]


def test_without_a_powered_port_there_is_no_power() -> None:
    """A camera on a switch without power, or at the end of fibre, is a flaw; so is a 24 V device on an 802.3 port."""
    plain = plan(device={"eye": {"kind": "camera", "at": "kitchen"}})
    assert kinds(poe.judge(plain)) == ["no_power device:eye"]
    old = fed(device={"old": {"kind": "desktop", "at": "kitchen", "power": {"supply": "passive 24 V", "draw": "8 W"}}})
    assert kinds(poe.judge(old)) == ["no_power device:old"]
    light = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 8}, {"count": 2, "medium": "fibre"}]}},
        device={"eye": {"kind": "camera", "at": "kitchen"}},
        drop={"d": {"starts": "hall", "ends": "kitchen", "category": "fibre", "feeds": "device:eye"}},
    )
    assert kinds(poe.judge(light)) == ["power_over_fibre device:eye"]


def test_powered_ports_are_counted_by_what_they_can_deliver() -> None:
    """Two cameras want two of the sixteen type 2 ports; growth makes it 2.5."""
    found = line(
        poe.judge(fed(device={"eye": {"kind": "camera", "count": 2, "at": "kitchen"}})),
        Kind.POWERED_PORTS,
        "switch:hall",
    )
    assert (found.supply, found.planned, found.grown) == (16, 2, 2.5)
    assert step(found, "type 2 ports, up to class 4") == 16


def test_an_injector_is_a_supply_of_its_own() -> None:
    """What an injector feeds takes nothing from the switch; too few injectors for a group are a flaw."""
    site = fed(
        device={"eye": {"kind": "camera", "count": 2, "at": "kitchen"}},
        injector={"brick": {"feeds": "device:eye", "power": "type 1", "supply": "15.4 W"}},
    )
    verdict = poe.judge(site)
    assert line(verdict, Kind.POWER, "switch:hall").planned == 0.0
    found = line(verdict, Kind.POWER, "injector:brick")
    assert 6.0 < found.planned < found.supply
    assert kinds(verdict) == ["injectors_missing device:eye"]


def test_an_injector_that_is_too_weak_is_a_hazard() -> None:
    """A class 4 access point on a type 1 injector is underfed; a 24 V device on it gets nothing."""
    site = plan(
        access_point={"attic": {"at": "kitchen"}},
        device={"old": {"kind": "desktop", "at": "kitchen", "power": {"supply": "passive 24 V", "draw": "8 W"}}},
        injector={
            "one": {"feeds": "access_point:attic", "power": "type 1"},
            "two": {"feeds": "device:old", "power": "type 1"},
        },
    )
    assert kinds(poe.judge(site)) == ["underfed access_point:attic", "no_power device:old"]


def test_a_draw_above_its_class_is_a_flaw() -> None:
    """7 W in class 2 can't be: class 2 may take 6.49 W (IEEE 802.3 Table 33-18)."""
    site = fed(
        device={"bell": {"kind": "camera", "at": "kitchen", "power": {"supply": "802.3", "class": 2, "draw": "7 W"}}}
    )
    assert "draw_above_class device:bell" in kinds(poe.judge(site))


needs = st.fixed_dictionaries(
    {"supply": st.just("802.3"), "class": st.integers(0, 4)}, optional={"draw": st.just("3 W")}
)
groups = st.lists(st.tuples(st.integers(1, 3), needs), min_size=1, max_size=4)


def devices(listed: list[tuple[int, dict[str, Any]]]) -> dict[str, Any]:
    """Make a device table of groups."""
    return {
        f"d{index}": {"kind": "desktop", "at": "kitchen", "count": count, "power": need}
        for index, (count, need) in enumerate(listed)
    }


@settings(max_examples=50, deadline=None)  # each example builds two plans
@given(groups, needs)
def test_one_more_device_never_lowers_the_power_asked_for(
    listed: list[tuple[int, dict[str, Any]]], one_more: dict[str, Any]
) -> None:
    """Every line of the switch asks for at least as much with one more device."""
    before = poe.judge(fed(device=devices(listed)))
    after = poe.judge(fed(device=devices([*listed, (1, one_more)])))
    for kind in (Kind.POWER, Kind.POWERED_PORTS):
        assert line(after, kind, "switch:hall").planned >= line(before, kind, "switch:hall").planned - 1e-9


@settings(max_examples=50, deadline=None)  # each example builds two plans
@given(groups)
def test_splitting_a_group_changes_nothing(listed: list[tuple[int, dict[str, Any]]]) -> None:
    """A group written as single devices gives the same lines."""
    whole = poe.judge(fed(device=devices(listed)))
    split = poe.judge(fed(device=devices([(1, need) for count, need in listed for _ in range(count)])))
    for one, other in zip(whole.lines, split.lines, strict=True):
        assert (one.kind, one.place, one.supply) == (other.kind, other.place, other.supply)
        assert other.planned == pytest.approx(one.planned)
        assert [step.value for step in other.steps] == pytest.approx([step.value for step in one.steps])


def test_two_signatures_reserve_both_pairsets() -> None:
    """
    A device with class 3 on one pairset and class 4 on the other reserves what both tables ask for, on a type 3 port.

    IEEE 802.3 Table 145-12: 14 W and 30 W; one class a port would count 30 W, a third less.
    """
    lamp = {"lamp": {"kind": "controller", "power": {"supply": "802.3", "class": 3, "second_class": 4, "draw": "30 W"}}}
    strong = [{"count": 4, "power": "type 3"}]
    site = fed(switch={"hall": {"closet": "hall", "ports": strong, "supply": "100 W"}}, device=lamp)
    assert line(poe.judge(site), Kind.POWER, "switch:hall").planned == pytest.approx(14.0 + 30.0)
    weak = poe.judge(fed(device=lamp))
    assert weak.flaws or weak.hazards
