from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.join import stand
from netaudit.capacity.ledger import Ledger, gather
from netaudit.capacity.line import Kind, State
from netaudit.site.load import parse_site
from tests.audit.scene import PLAN, Scene, small_site, stranger

if TYPE_CHECKING:
    from netaudit.audit.standing import Standing


@cache
def ledger() -> Ledger:
    return gather(small_site())


def standing(scene: Scene, kind: Kind, place: str, of: Ledger | None = None) -> Standing:
    (found,) = [
        one
        for one in stand(scene.site, of or ledger(), scene.seen())
        if (one.line.kind, one.line.place) == (kind, place)
    ]
    return found


def test_every_line_stands_once_in_the_ledgers_order() -> None:
    """The join loses no line, doubles none and changes none; where nobody looked all is unmeasured."""
    standings = stand(small_site(), ledger(), Scene().seen())
    assert tuple(one.line for one in standings) == ledger().lines
    assert [one for one in standings if one.observed is not None] == []


def test_as_planned_the_predicted_air_is_the_plans() -> None:
    """With exactly the planned devices there, the predicted busy share is the planned one, by both ways of reckoning."""
    scene = Scene().everybody()
    for place in ("radio:hall/2.4", "radio:hall/5"):
        one = standing(scene, Kind.AIRTIME, place)
        assert one.observed is not None
        assert one.observed.latest == pytest.approx(one.line.planned, rel=1e-6)


def test_more_devices_make_the_predicted_air_busier() -> None:
    """Monotony: with ten plugs more, the air is predicted busier."""
    scene = Scene().everybody()
    for number in range(20, 30):
        scene.here(stranger(number), "things")
    one = standing(scene, Kind.AIRTIME, "radio:hall/2.4")
    assert one.observed is not None
    assert one.observed.latest > one.line.planned


def test_what_the_radio_announces_goes_before_what_we_predict() -> None:
    """The latest announced share, its 95th percentile once there are twenty, and what it rests on."""
    few = standing(Scene().everybody().tell("radio:hall/2.4", "busy_share", [0.2] * 3), Kind.AIRTIME, "radio:hall/2.4")
    shares = [*(0.01 * index for index in range(1, 20)), 0.9, 0.1]
    many = standing(Scene().everybody().tell("radio:hall/2.4", "busy_share", shares), Kind.AIRTIME, "radio:hall/2.4")
    assert few.observed is not None
    assert many.observed is not None
    assert (few.observed.latest, few.observed.p95) == (0.2, None)
    # Nearest rank of 21 values: the 20th, by hand.
    assert many.observed.latest == 0.1
    assert many.observed.p95 == pytest.approx(0.19)
    assert "BSS Load" in many.observed.evidence


def test_devices_and_leases_are_counted_by_segment() -> None:
    """Twelve are here, the gateway not counted as it is not planned; of the pool (upper half of the network) the twelve strangers' addresses."""
    scene = Scene().everybody()
    counted = standing(scene, Kind.DEVICE_COUNT, "segment:things").observed
    leased = standing(scene, Kind.ADDRESSES, "segment:things").observed
    assert counted is not None
    assert leased is not None
    assert (counted.latest, leased.latest) == (12, 12)


def test_measured_numbers_stand_at_their_lines() -> None:
    """Watts, ports, both directions of a link and what the router forwards, each at its own line."""
    scene = Scene().tell("switch:loft", "power_w", [31.0]).tell("switch:loft", "ports_up", [9.0])
    scene.tell("link:switch/shed", "up_bps", [8e8]).tell("link:switch/shed", "down_bps", [1e6])
    scene.tell("router", "routed_bps", [5e7])
    for kind, place, value in (
        (Kind.POWER, "switch:loft", 31.0),
        (Kind.PORTS, "switch:loft", 9.0),
        (Kind.LINK_UP, "link:switch/shed", 8e8),
        (Kind.LINK_DOWN, "link:switch/shed", 1e6),
        (Kind.ROUTED, "router", 5e7),
    ):
        observed = standing(scene, kind, place).observed
        assert observed is not None
        assert observed.latest == value
    assert standing(scene, Kind.LINK_UP, "link:switch/shed").state is State.TIGHT


def test_an_old_number_is_no_observation() -> None:
    """Twenty minutes without an answer, and the line is unmeasured."""
    scene = Scene().tell("link:switch/shed", "up_bps", [8e8, *[None] * 20])
    assert standing(scene, Kind.LINK_UP, "link:switch/shed").observed is None


def test_a_recorder_that_reaches_half_as_far_needs_twice_the_space() -> None:
    """Fourteen days wanted and seven reached: what is asked is twice what there is."""
    site = parse_site(
        PLAN
        + '[recorder.attic]\nretention = "14 d"\n[device.eye]\nkind = "camera"\nsegment = "home"\nswitch = "loft"\n'
    )
    scene = Scene(site=site).tell("recorder:attic", "kept_s", [7 * 86_400.0])
    one = standing(scene, Kind.RECORDING, "recorder:attic", gather(site))
    assert one.observed is not None
    assert one.observed.latest == pytest.approx(2 * one.line.supply)
    assert one.observed_state is State.OVER
