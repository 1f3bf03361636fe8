from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity.airtime import Channel
from netaudit.capacity.busy import beacon_share
from netaudit.capacity.line import Kind, Line, State, Verdict
from netaudit.capacity.radio import choose_channels, judge
from netaudit.capacity.rates import Band
from tests.capacity.radio_plan import one_radio, plan

if TYPE_CHECKING:
    from netaudit.site.model import Site

TWO = """
[room.a]
[room.b]
[access_point.one]
at = "a"
radio = [{band = "2.4", channel = 1}, {band = "5", channel = 36, width = "80 MHz"}]
[access_point.two]
at = "b"
radio = [{band = "2.4", channel = 1}, {band = "5", channel = 52, width = "80 MHz"}]
"""
PLUGS = '[device.plugs]\nkind = "plug"\ncount = {}\nat = "{}"\n'


def line(verdict: Verdict, place: str, kind: Kind = Kind.AIRTIME) -> Line:
    (found,) = (one for one in verdict.lines if one.place == place and one.kind is kind)
    return found


def step(one: Line, words: str) -> float:
    (found,) = (part.value for part in one.steps if words in part.text)
    return found


def test_every_radio_and_channel_has_its_lines() -> None:
    """Airtime and stations for each radio, airtime for each channel in use, named as the ledger names them."""
    verdict = judge(plan(TWO))
    assert {(one.kind, one.place) for one in verdict.lines} == {
        *(
            (kind, f"radio:{name}/{band}")
            for kind in (Kind.AIRTIME, Kind.STATIONS)
            for name in ("one", "two")
            for band in ("2.4", "5")
        ),
        (Kind.AIRTIME, "channel:2.4/1"),
        (Kind.AIRTIME, "channel:5/36"),
        (Kind.AIRTIME, "channel:5/52"),
    }
    assert verdict.flaws == ()


def test_the_steps_add_up_to_what_is_planned() -> None:
    """Own frames, beacons, broadcasts, answers, requests, neighbours and collisions make the announced share."""
    verdict = judge(plan(TWO + PLUGS.format(40, "a")))
    for one in verdict.lines:
        if one.kind is Kind.AIRTIME and one.place.startswith("radio:"):
            parts = [part.value for part in one.steps if "contenders" not in part.text]
            assert sum(parts) == pytest.approx(one.planned)


def test_an_empty_radio_only_beacons() -> None:
    """Without stations the busy share is that of one network name's beacons, 2.5 % at 1 Mb/s, and nothing else."""
    found = line(judge(one_radio("")), "radio:ap/2.4")
    assert found.planned == pytest.approx(2592 / 102_400)
    assert found.grown == pytest.approx(found.planned)
    assert found.state is State.WITHIN


def test_radios_on_one_channel_share_it() -> None:
    """Two access points on channel 1 each announce the sum of both; on 1 and 6 each announces its own."""
    text = TWO + PLUGS.format(40, "a")
    same = judge(plan(text))
    apart = judge(
        plan(
            text.replace(
                'at = "b"\nradio = [{band = "2.4", channel = 1}', 'at = "b"\nradio = [{band = "2.4", channel = 6}'
            )
        )
    )
    assert line(same, "radio:one/2.4").planned == pytest.approx(line(same, "radio:two/2.4").planned)
    assert line(same, "channel:2.4/1").planned == pytest.approx(line(same, "radio:one/2.4").planned)
    assert step(line(apart, "radio:one/2.4"), "other radios") == 0
    assert line(apart, "radio:one/2.4").planned < line(same, "radio:one/2.4").planned
    # 5 GHz: blocks at 36 and 52 don't meet
    assert step(line(same, "radio:one/5"), "other radios") == 0


def test_out_of_hearing_they_dont_share() -> None:
    """Two hundred metres apart in a house neither hears the other: each has the channel for itself."""
    near = 'x = "0 m"\ny = "0 m"\n'
    text = TWO.replace("[room.a]\n", f"[room.a]\n{near}").replace("[room.b]\n", '[room.b]\nx = "{} m"\ny = "0 m"\n')
    close, away = judge(plan(text.replace("{} m", "20 m"))), judge(plan(text.replace("{} m", "200 m")))
    assert step(line(close, "radio:one/2.4"), "other radios") > 0
    assert step(line(away, "radio:one/2.4"), "other radios") == 0


def test_a_higher_lowest_rate_shortens_beacons() -> None:
    """At 6 Mb/s a beacon takes 430 us instead of 2,592."""
    found = line(judge(one_radio("", radio='band = "2.4"\nchannel = 6\nlowest_rate = "6 Mb/s"')), "radio:ap/2.4")
    assert found.planned == pytest.approx(430 / 102_400)


def test_one_radio_full_of_plugs_ends_at_its_association_limit() -> None:
    """A hundred plugs on a radio that admits 64: over, although the airtime is far from full; both limits are shown."""
    verdict = judge(one_radio(PLUGS.format(100, "a")))
    found = line(verdict, "radio:ap/2.4", Kind.STATIONS)
    assert found.state is State.OVER
    assert found.supply == 64
    assert step(found, "admits") == 64
    assert step(found, "at most") > 100
    assert "0 more" in found.note
    assert line(verdict, "radio:ap/2.4").state is State.WITHIN


def test_streams_fill_the_air_long_before_the_association_limit() -> None:
    """Wireless cameras are bound by airtime; stations and airtime then always stand in the same state."""
    for count in (1, 3, 6, 12, 24):
        verdict = judge(one_radio(f'[device.eyes]\nkind = "wifi_camera"\ncount = {count}\nsignal = "-70 dBm"\n'))
        stations, airtime = line(verdict, "radio:ap/2.4", Kind.STATIONS), line(verdict, "radio:ap/2.4")
        assert stations.supply < 64
        assert stations.state is airtime.state
    assert airtime.state is State.OVER


def test_as_many_more_as_are_promised_fit() -> None:
    """Adding what the note promises leaves the radio within; adding one more than that and a tenth doesn't."""

    def cameras(count: int) -> Verdict:
        return judge(one_radio(f'[device.eyes]\nkind = "wifi_camera"\ncount = {count}\nsignal = "-60 dBm"\n'))

    more = int(line(cameras(1), "radio:ap/2.4", Kind.STATIONS).note.split()[0])
    assert more > 0
    assert line(cameras(1 + more), "radio:ap/2.4").planned < line(cameras(1 + more), "radio:ap/2.4").supply
    assert line(cameras(round(2.2 * (1 + more)) + 1), "radio:ap/2.4").state is not State.WITHIN


def test_flaws_say_where_and_what_to_do() -> None:
    """Between the clear channels, too wide, no block, out of reach, nothing to connect to: each is named with its cure."""
    text = """
[access_point.ap]
radio = [{band = "2.4", channel = 3, width = "40 MHz"}, {band = "5", channel = 144, width = "160 MHz"}]
[access_point.old]
radio = [{band = "5", phy = "dsss"}]
[device.far]
kind = "plug"
signal = "-95 dBm"
[profile.new]
link = "wifi"
bands = ["6"]
[device.new]
kind = "new"
"""
    found = {(flaw.kind, flaw.place) for flaw in judge(plan(text)).flaws}
    assert found == {
        ("between_channels", "radio:ap/2.4"),
        ("wide_channel", "radio:ap/2.4"),
        ("no_such_block", "radio:ap/5"),
        ("no_such_radio", "radio:old/5"),
        ("out_of_reach", "device:far"),
        ("no_radio", "device:new"),
    }
    assert all(flaw.cure and flaw.basis for flaw in judge(plan(text)).flaws)


def test_reached_by_one_is_reached() -> None:
    """A device that one of its access points reaches is no flaw, though another doesn't."""
    rooms = '[room.a]\nx = "0 m"\ny = "0 m"\n[room.b]\nx = "400 m"\ny = "0 m"\n'
    points = '[access_point.one]\nat = "a"\n[access_point.two]\nat = "b"\n'
    device = '[device.p]\nkind = "plug"\nat = "a"\naccess_points = ["one", "two"]\n'
    assert judge(plan(rooms + points + device)).flaws == ()


def test_multi_user_is_shown_and_not_counted() -> None:
    """Phones that can be served together change the note, not the demand."""
    text = '[device.p]\nkind = "phone"\ncount = 6\nsignal = "-50 dBm"\n'
    radio = 'band = "5"\nchannel = 36\nphy = "he"\nstreams = 4\nwidth = "80 MHz"'
    can = line(judge(one_radio(text, radio=radio)), "radio:ap/5")
    cant = line(
        judge(
            one_radio(
                '[profile.phone]\nlink = "wifi"\nbands = ["5"]\nphy = "he"\nstreams = 2\nwidth = "80 MHz"\n'
                "up = { frames_per_s = 20, frame_bytes = 200 }\ndown = { frames_per_s = 60, frame_bytes = 1200 }\n"
                "group_frames_per_s = 0.05\n" + text,
                radio=radio,
            )
        ),
        "radio:ap/5",
    )
    assert "at once" in can.note
    assert "at once" not in cant.note
    assert can.planned == pytest.approx(cant.planned)


def test_channels_chosen_by_load() -> None:
    """Two access points drawn on channel 1: on channels of their own the busiest has only itself to bear."""
    site = plan(TWO + PLUGS.format(40, "a"))
    chosen = {choice.band: choice for choice in choose_channels(site)}
    assert {tuned.channel for tuned in chosen[Band.GHZ_2_4].tuned.values()} == {1, 6}
    assert chosen[Band.GHZ_2_4].gained > 0.02
    assert chosen[Band.GHZ_5].gained == 0
    verdict = judge(site)
    assert "two/2.4 on 6" in line(verdict, "channel:2.4/1").note
    assert line(verdict, "channel:5/36").note == ""


def test_left_open_a_channel_is_chosen_and_said_so() -> None:
    """Three access points without channels get 1, 6 and 11, and the line says that the plan didn't."""
    text = "".join(f'[access_point.p{k}]\nradio = [{{band = "2.4"}}]\n' for k in range(3))
    verdict = judge(plan(text))
    channels = {one.inputs[0][1] for one in verdict.lines if one.kind is Kind.AIRTIME and one.place.startswith("radio")}
    assert channels == {"1, chosen here", "6, chosen here", "11, chosen here"}


# ------------------------------------------------------------------------------------------------------------ the laws

KINDS = ["plug", "sensor", "phone", "television", "wifi_camera", "laptop"]
GROUPS = st.lists(
    st.tuples(st.sampled_from(KINDS), st.integers(1, 30), st.sampled_from(["a", "b"]), st.integers(-85, -40)),
    min_size=1,
    max_size=4,
)
HOUSE = TWO.replace(', {band = "5", channel = 52', ', {band = "5", channel = 36')


def house(groups: list[tuple[str, int, str, int]]) -> Site:
    return plan(
        HOUSE
        + "".join(
            f'[device.g{k}]\nkind = "{kind}"\ncount = {count}\nat = "{room}"\nsignal = "{level} dBm"\n'
            for k, (kind, count, room, level) in enumerate(groups)
        )
    )


def demands(site: Site) -> dict[tuple[Kind, str], tuple[float, float]]:
    return {(one.kind, one.place): (one.planned, one.grown) for one in judge(site).lines}


@settings(max_examples=40, deadline=None)
@given(GROUPS, st.sampled_from(KINDS), st.integers(-85, -40))
def test_a_device_more_never_lowers_a_demand(groups: list[tuple[str, int, str, int]], kind: str, level: int) -> None:
    """Whatever is added anywhere, no line of the ledger asks for less, now or with growth."""
    before, after = demands(house(groups)), demands(house([*groups, (kind, 1, "a", level)]))
    for key, (planned, grown) in before.items():
        assert after[key][0] >= planned * (1 - 1e-9)
        assert after[key][1] >= grown * (1 - 1e-9)


@settings(max_examples=40, deadline=None)
@given(GROUPS, st.integers(0, 3), st.integers(1, 40))
def test_a_stronger_signal_never_costs_airtime(groups: list[tuple[str, int, str, int]], which: int, more: int) -> None:
    """A station that may send faster takes no more of any channel."""
    which %= len(groups)
    kind, count, room, level = groups[which]
    better = [*groups[:which], (kind, count, room, level + more), *groups[which + 1 :]]
    before, after = demands(house(groups)), demands(house(better))
    for key, (planned, _) in before.items():
        assert after[key][0] <= planned * (1 + 1e-9)


@settings(max_examples=40, deadline=None)
@given(GROUPS, st.integers(1, 29))
def test_splitting_a_group_changes_nothing(groups: list[tuple[str, int, str, int]], part: int) -> None:
    """Thirty plugs are thirty plugs, written as one group or as two."""
    kind, count, room, level = groups[0]
    first = min(part, count)
    parts = [(kind, first, room, level)] + ([(kind, count - first, room, level)] if count > first else [])
    before, after = demands(house(groups)), demands(house([*parts, *groups[1:]]))
    assert before.keys() == after.keys()
    for key, values in before.items():
        assert after[key] == pytest.approx(values, rel=1e-9)


def test_growth_leaves_beacons_alone() -> None:
    """Grown demand is beacons as they are and everything else by a quarter more (collisions are none here)."""
    found = line(judge(one_radio(PLUGS.format(4, "a"))), "radio:ap/2.4")
    beacons = beacon_share(1, Channel(Band.GHZ_2_4))
    assert found.grown - beacons == pytest.approx(1.25 * (found.planned - beacons), rel=1e-3)
