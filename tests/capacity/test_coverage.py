from __future__ import annotations

import pytest

from netaudit.capacity.coverage import coverage
from netaudit.capacity.propagation import indoor_loss_db
from netaudit.capacity.rates import Band, Mode, Phy, rate_bps
from tests.capacity.radio_plan import plan

ROOM = '[room.{0}]\nx = "{1} m"\ny = "0 m"\n'
POINT = '[access_point.{0}]\nat = "{1}"\nradio = [{{band = "2.4", phy = "he"}}]\n'


def test_the_nearest_is_best_and_the_next_is_second() -> None:
    """In a row of three rooms with access points at both ends, each end hears its own, the middle the nearer one."""
    site = plan(
        ROOM.format("left", 0)
        + ROOM.format("middle", 12)
        + ROOM.format("right", 30)
        + POINT.format("one", "left")
        + POINT.format("two", "right")
    )
    covers = {cover.room: cover for cover in coverage(site)}
    heard = {room: (cover.best, cover.second) for room, cover in covers.items()}
    names = {room: tuple(one.access_point for one in pair if one) for room, pair in heard.items()}
    assert names == {"left": ("one", "two"), "middle": ("one", "two"), "right": ("two", "one")}
    best = covers["middle"].best
    assert best is not None
    assert best.level_dbm == pytest.approx(20 - indoor_loss_db(2437, 12))
    # -49.9 dBm carries HE MCS 11 (802.11ax-2021 Table 27-51: -52 dBm) on two streams
    assert best.rate_bps == rate_bps(Mode(Phy.HE, 11, 2))
    assert covers["left"].band is Band.GHZ_2_4


def test_too_far_is_heard_without_a_rate() -> None:
    """Half a kilometre away the level is below every minimum: the rate is 0."""
    site = plan(ROOM.format("near", 0) + ROOM.format("far", 500) + POINT.format("one", "near"))
    far = next(cover for cover in coverage(site) if cover.room == "far")
    assert far.best is not None
    assert far.best.level_dbm < -82
    assert far.best.rate_bps == 0
    assert far.second is None


def test_without_positions_only_the_own_room_is_known() -> None:
    """A room with an access point in it is near it; others can't be reckoned and are left empty."""
    site = plan("[room.a]\n[room.b]\n" + POINT.format("one", "a"))
    covers = {cover.room: cover for cover in coverage(site)}
    assert covers["a"].best is not None
    assert covers["a"].best.level_dbm == -50
    assert covers["b"].best is None
