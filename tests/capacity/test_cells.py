from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from netaudit.capacity.airtime import Protection
from netaudit.capacity.busy import group_share, unicast
from netaudit.capacity.cells import Cell, basic_rates_mbps, cells
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band, Mode, Phy, dsss, ht
from netaudit.capacity.sensitivity import FRAMES_LOST
from netaudit.site.topology import follow
from tests.capacity.radio_plan import one_radio, plan

if TYPE_CHECKING:
    from netaudit.site.model import Site

GADGET = """
[profile.gadget]
link = "wifi"
bands = ["2.4"]
phy = "{phy}"
up = {{ frames_per_s = 2, frame_bytes = 120 }}
down = {{ frames_per_s = 1, frame_bytes = 90 }}
group_frames_per_s = {groups}
"""


def built(site: Site) -> dict[str, Cell]:
    return cells(site, follow(site), Levels(site))


def only(site: Site) -> Cell:
    (cell,) = built(site).values()
    return cell


def gadget(phy: str = "ht", groups: float = 0) -> str:
    return GADGET.format(phy=phy, groups=groups)


def test_a_cell_adds_up_its_stations() -> None:
    """Ten gadgets take ten times the airtime of one, up and down each for itself; the level decides the mode."""
    cell = only(one_radio(gadget() + '[device.g]\nkind = "gadget"\ncount = 10\nsignal = "-70 dBm"\n'))
    one_up = unicast(2, 120, ht(4), cell.channel, txop_us=2528.0, frames_lost=FRAMES_LOST)
    one_down = unicast(1, 90, ht(4), cell.channel, txop_us=2528.0, frames_lost=FRAMES_LOST)
    assert cell.name == "radio:ap/2.4"
    assert cell.stations == 10
    assert cell.up.share == pytest.approx(10 * one_up.share)
    assert cell.down.share == pytest.approx(10 * one_down.share)
    assert cell.up.turns_per_s == pytest.approx(20 / (1 - FRAMES_LOST))
    assert cell.slowest == ("g", ht(4))
    assert cell.unreached == []


def test_one_802_11b_client_slows_everybody() -> None:
    """It forces long slots and a warning before each newer frame; the others' airtime rises."""
    others = gadget() + '[device.g]\nkind = "gadget"\ncount = 10\nsignal = "-50 dBm"\n'
    old = others + '[profile.old]\nlink = "wifi"\nphy = "dsss"\n[device.old]\nkind = "old"\nsignal = "-50 dBm"\n'
    without, with_old = only(one_radio(others)), only(one_radio(old))
    assert not without.channel.long_slot
    assert with_old.channel.long_slot
    assert with_old.channel.protection is Protection.CTS_TO_SELF
    assert with_old.slowest == ("old", dsss(11))
    assert with_old.up.share > 3 * without.up.share


def test_what_is_out_of_reach_counts_at_the_slowest_rate() -> None:
    """A station below every minimum is named, and takes what MCS 0 takes: better signal never costs more."""
    text = gadget() + '[device.g]\nkind = "gadget"\nsignal = "LEVEL dBm"\n'
    lost, edge = (only(one_radio(text.replace("LEVEL", level))) for level in ("-95", "-82"))
    assert lost.unreached == ["g"]
    assert edge.unreached == []
    assert lost.up == edge.up


@pytest.mark.parametrize(
    ("words", "mode"),
    [
        ('signal = "-62 dBm"', ht(7)),
        ('distance = "near"', ht(7)),
        ('distance = "far"', ht(2)),
        ("", ht(6)),
        ('at = "a"', ht(7)),
    ],
)
def test_levels_by_best_knowledge(words: str, mode: Mode) -> None:
    """Measured, else in words (near -50, far -75 dBm), else near in the access point's room, else middling (-65 dBm)."""
    cell = only(one_radio(gadget() + f'[device.g]\nkind = "gadget"\n{words}\n'))
    assert cell.slowest == ("g", mode)


def test_broadcasts_of_all_the_segment_are_repeated() -> None:
    """Wired senders count too: four gadgets of 0.5 and one wired hub of 2 a second make four on the air."""
    text = gadget(groups=0.5) + (
        '[device.g]\nkind = "gadget"\ncount = 4\n'
        '[profile.talker]\nlink = "wired"\ngroup_frames_per_s = 2\n[device.t]\nkind = "talker"\n'
    )
    cell = only(one_radio(text))
    assert cell.group_frames == pytest.approx(4)
    assert cell.own_groups == pytest.approx(2)
    assert cell.groups == pytest.approx(group_share(4, cell.channel))


def test_only_announced_segments_are_repeated() -> None:
    """An access point that announces one of two segments beacons once and repeats only that one's broadcasts."""
    head = """
[site]
name = "Two"
[segment.home]
network = "10.20.0.0/24"
ssid = "home"
[segment.quiet]
network = "10.21.0.0/24"
ssid = "quiet"
[segment.cabled]
network = "10.22.0.0/24"
[closet.hall]
[switch.hall]
"""
    text = (
        gadget(groups=1)
        + """
[access_point.ap]
radio = [{band = "2.4"}]
[device.h]
kind = "gadget"
segment = "home"
[device.q]
kind = "gadget"
count = 5
segment = "quiet"
"""
    )
    both = only(plan(text, head=head))
    one = only(plan(text.replace("radio =", 'ssids = ["home"]\nradio ='), head=head))
    assert (both.names, both.group_frames) == (2, 6)
    assert (one.names, one.group_frames) == (1, 1)
    assert one.beacons == pytest.approx(both.beacons / 2)


def test_a_camera_that_is_recorded_sends_its_stated_stream() -> None:
    """The plan's own rate in packets of the profile's size: 4 Mb/s in packets of 1000 bytes are 500 a second."""
    text = (
        '[profile.eye]\nlink = "wifi"\nphy = "ht"\nrecorded = true\noutside = 0.0\n'
        "up = { frames_per_s = 100, frame_bytes = 1000 }\n"
        '[device.e]\nkind = "eye"\nsignal = "-50 dBm"\nrate = "4 Mb/s"\n'
    )
    cell = only(one_radio(text))
    expected = unicast(500, 1000, ht(7), cell.channel, txop_us=2528.0, frames_lost=FRAMES_LOST)
    assert cell.up.share == pytest.approx(expected.share)


def test_both_ends_decide_the_mode() -> None:
    """A two-stream 802.11ax phone on an 80 MHz 802.11ac radio: two streams of VHT at 80 MHz; in 2.4 GHz it is HT."""
    phone = '[device.p]\nkind = "phone"\nsignal = "-50 dBm"\n'
    at_5 = only(one_radio(phone, radio='band = "5"\nphy = "vht"\nstreams = 3\nwidth = "80 MHz"'))
    at_2 = only(one_radio(phone, radio='band = "2.4"\nphy = "vht"\nstreams = 3'))
    assert at_5.slowest == ("p", Mode(Phy.VHT, 9, 2, 80, 800))
    assert at_2.slowest == ("p", ht(7, streams=2))


# Mandatory rates: IEEE 802.11-2020 15.2.3, 17.2.3.
@pytest.mark.parametrize(
    ("band", "lowest_bps", "basic"),
    [
        (Band.GHZ_2_4, None, (1.0, 2.0, 6.0, 12.0, 24.0)),
        (Band.GHZ_2_4, 6e6, (6.0, 12.0, 24.0)),
        (Band.GHZ_2_4, 5.5e6, (5.5, 6.0, 12.0, 24.0)),
        (Band.GHZ_5, None, (6.0, 12.0, 24.0)),
        (Band.GHZ_5, 1e6, (6.0, 12.0, 24.0)),  # 5 GHz has no 1 Mb/s
        (Band.GHZ_5, 13e6, (12.0, 24.0)),
    ],
)
def test_basic_rates(band: Band, lowest_bps: float | None, basic: tuple[float, ...]) -> None:
    """The lowest basic rate that the band has, and the mandatory ones above it."""
    assert basic_rates_mbps(band, lowest_bps) == basic
