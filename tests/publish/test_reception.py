from __future__ import annotations

from netaudit.publish.reception import receptions
from tests.publish.samples import plan

ROOMS = "".join(
    f'[room.{name}]\nx = "{x} m"\ny = "0 m"\nwidth = "4 m"\ndepth = "4 m"\n'
    for name, x in (("west", 0), ("middle", 12), ("east", 30))
)


def test_the_nearer_of_two_alike_access_points_serves_a_room() -> None:
    """With the same power and no walls, loss grows with distance: each end has its own, the middle the nearer, western one."""
    for order in (("west", "east"), ("east", "west")):
        points = "".join(f'[access_point.{name}]\nat = "{name}"\n' for name in order)
        found = receptions(plan(ROOMS + points))
        served = {room: {one.access_point for one in reached} for room, reached in found.items()}
        assert served == {"west": {"west"}, "middle": {"west"}, "east": {"east"}}
        assert all({one.band for one in reached} == {"2.4", "5"} for reached in found.values())


def test_farther_is_never_louder_or_faster() -> None:
    """Level and rate fall, or stay, from the room of the access point to the farthest one."""
    found = receptions(plan(ROOMS + '[access_point.only]\nat = "west"'))
    for index in (0, 1):
        levels = [found[room][index].level_dbm for room in ("west", "middle", "east")]
        rates = [found[room][index].rate_bps or 0.0 for room in ("west", "middle", "east")]
        assert levels == sorted(levels, reverse=True)
        assert len(set(levels)) == 3
        assert rates == sorted(rates, reverse=True)


def test_without_positions_nothing_is_claimed() -> None:
    """A room that the plan does not place, or an access point that it does not, has no level."""
    assert receptions(plan('[room.a]\n[access_point.b]\nat = "a"')) == {"a": ()}
