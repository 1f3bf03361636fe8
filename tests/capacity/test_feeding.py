from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.feeding import feed_device, loop_ohm, need_of, reckon, taken_w
from tests.capacity.wired_plan import plan


# IEEE 802.3 Tables 33-18 and 145-26: device power; 33-7 and 145-11: what is set aside for it.
@pytest.mark.parametrize(
    ("power_class", "device_w", "reserved_w"), [(1, 3.84, 4.0), (3, 12.95, 15.4), (4, 25.5, 30.0), (6, 51.0, 60.0)]
)
def test_a_class_is_taken_at_its_most_and_set_aside_with_its_cable(
    power_class: int, device_w: float, reserved_w: float
) -> None:
    """Without a stated draw a device takes all that its class may, and what is set aside covers draw and cable."""
    site = plan(
        device={"thing": {"kind": "desktop", "at": "kitchen", "power": {"supply": "802.3", "class": power_class}}}
    )
    need = need_of(site, "device:thing")
    assert need is not None
    assert taken_w(need) == device_w
    one = reckon(site, "device:thing", need, "type 4", None)
    assert (one.reserved_w, one.draw_w) == (reserved_w, device_w)
    assert one.draw_w + one.loss_w <= one.reserved_w + 0.1


@given(st.floats(0.5, 25.5), st.integers(5, 100), st.integers(1, 50))
def test_a_longer_cable_never_brings_more(draw_w: float, length_m: int, more_m: int) -> None:
    """What is lost grows with the cable, and what could arrive shrinks."""
    site = plan(
        device={"thing": {"kind": "desktop", "at": "kitchen", "power": {"supply": "802.3", "draw": f"{draw_w} W"}}},
        drop={
            "near": {"starts": "hall", "ends": "kitchen", "length": f"{length_m} m"},
            "far": {"starts": "hall", "ends": "kitchen", "length": f"{length_m + more_m} m"},
        },
    )
    need = need_of(site, "device:thing")
    assert need is not None
    (near, near_most_w), (far, far_most_w) = (feed_device(site, need, "type 2", drop) for drop in ("near", "far"))
    assert far_most_w <= near_most_w
    assert near is not None
    assert far is None or far.loss_w >= near.loss_w
    assert loop_ohm(site, "far", number=2, pairs=4) == pytest.approx(loop_ohm(site, "far", number=2, pairs=2) / 2)


def test_what_no_port_feeds_has_no_need() -> None:
    """A recorder takes no power from its port; glass carries none."""
    site = plan(recorder={"vault": {}}, drop={"glass": {"starts": "hall", "ends": "kitchen", "category": "fibre"}})
    assert need_of(site, "recorder:vault") is None
    assert loop_ohm(site, "glass", number=1, pairs=2) == 0.0
