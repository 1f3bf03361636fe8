from __future__ import annotations

import pytest

from netaudit.audit.rules.air import BEACON_SHARE, BORROWED_NAME, CHANNEL, NEIGHBOURS
from netaudit.audit.rules.rule import Mark
from netaudit.site.load import parse_site
from tests.audit.scene import PLAN, Scene

OURS = "00:00:5e:00:53:b0"
TUNED = parse_site(
    PLAN.replace('band = "2.4"', 'band = "2.4"\nchannel = 6').replace(
        'address = "192.0.2.11"', f'address = "192.0.2.11"\nbssids = ["{OURS}"]'
    )
    + '[ear.roof]\ninterface = "air0"\n'
)
RADIO, OTHER = "radio:hall/2.4", "radio:hall/5"


def test_a_radio_on_another_channel_than_planned_is_found() -> None:
    """Planned 6: on 11 it is found and on 6 it is not; the 5 GHz radio has no channel in the plan and may have any."""
    assert Scene(site=TUNED).tell(RADIO, "channel", [6.0, 11.0]).holds(CHANNEL) == {RADIO: "channel"}
    assert Scene(site=TUNED).tell(RADIO, "channel", [11.0, 6.0]).ask(CHANNEL) == []
    assert Scene(site=TUNED).tell(OTHER, "channel", [44.0]).ask(CHANNEL) == []


def test_a_radio_that_is_not_heard_stays_as_it_was() -> None:
    """An ear on another channel hears nothing of it: an open finding waits; without an ear it ends."""
    open_one = [("channel_other", RADIO)]
    assert [one.mark for one in Scene(site=TUNED).ask(CHANNEL, is_open=open_one)] == [Mark.BLIND]
    assert Scene(site=TUNED).ask(CHANNEL) == []
    assert Scene().ask(CHANNEL, is_open=open_one) == []


def test_who_announces_our_name_and_is_not_ours_is_found() -> None:
    """A foreign BSSID with the name "weir" is found; with another name it is a neighbour, and our own BSSID is ours."""
    foreign, place = "02:00:5e:00:00:66", "channel:2.4/1"
    scene = Scene(site=TUNED).notice(place, "neighbour_network", bssid=foreign, name="weir")
    assert scene.holds(BORROWED_NAME) == {f"device:{foreign}": "name"}
    assert Scene(site=TUNED).notice(place, "neighbour_network", bssid=foreign, name="mill").ask(BORROWED_NAME) == []
    assert Scene(site=TUNED).notice(place, "neighbour_network", bssid=OURS, name="weir").ask(BORROWED_NAME) == []


def test_without_our_own_bssids_in_the_plan_nobody_is_accused() -> None:
    """The small site doesn't say what its access point announces: the name may be its own."""
    scene = Scene().notice("channel:2.4/1", "neighbour_network", bssid=OURS, name="weir")
    assert scene.ask(BORROWED_NAME) == []


@pytest.mark.parametrize(("count", "mark"), [(7, None), (9, Mark.NEAR), (10, Mark.HOLDS)])
def test_neighbours_whose_beacons_fill_half_of_the_ceiling_are_found(count: float, mark: Mark | None) -> None:
    """At 2.53 % each ten of them take 25.3 %, more than half of the ceiling of 50 %."""
    found = Scene(site=TUNED).tell("channel:2.4/6", "neighbour_networks", [count]).ask(NEIGHBOURS)
    assert [one.mark for one in found] == ([mark] if mark else [])


def test_neighbours_where_we_are_not_are_no_trouble() -> None:
    """Thirty on channel 1 are nothing while we are on 6, as planned or as heard; once we are heard on 1 they are."""
    scene = Scene(site=TUNED).tell("channel:2.4/1", "neighbour_networks", [30.0])
    assert scene.ask(NEIGHBOURS) == []
    assert scene.tell(RADIO, "channel", [1.0]).holds(NEIGHBOURS) == {"channel:2.4/1": "neighbours"}


def test_the_share_of_a_beacon_is_the_frames_own() -> None:
    """
    The two shares recomputed from the frame.

    IEEE 802.11-2020: 16.2 (long preamble 144 us, header 48 us, then 8 us an octet at 1 Mb/s) and 17.3 (preamble 16 us,
    signal 4 us, then symbols of 4 us with 24 bits at 6 Mb/s, 16 service and 6 tail bits); 102.4 ms is 100 time units.
    """
    slow_us = 144 + 48 + 300 * 8
    symbols = -(-(16 + 300 * 8 + 6) // 24)
    assert BEACON_SHARE["2.4"] == pytest.approx(slow_us / 102_400)
    assert BEACON_SHARE["5"] == pytest.approx((16 + 4 + 4 * symbols) / 102_400)
