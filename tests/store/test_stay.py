"""Presence as intervals, against the definition: cut a sorted list of moments at every gap over the tolerance."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from netaudit.store.stay import Stay, Stays

MAC = "00:00:5e:00:53:01"


def cut(moments: list[int], tolerance: int) -> list[tuple[int, int]]:
    """Cut at gaps, written the slow way round: two neighbours are together if no more than the tolerance apart."""
    groups: list[list[int]] = []
    for at in sorted(moments):
        if groups and at - groups[-1][-1] <= tolerance:
            groups[-1].append(at)
        else:
            groups.append([at])
    return [(group[0], group[-1]) for group in groups]


@given(st.lists(st.integers(0, 10_000), min_size=1, max_size=60), st.integers(0, 2_000))
def test_intervals_are_the_moments_cut_at_every_gap_over_the_tolerance(moments: list[int], tolerance: int) -> None:
    """Whatever the moments, the intervals that ended and the one still growing are those of the definition."""
    stays = Stays()
    ended = [over for at in sorted(moments) if (over := stays.sight(MAC, "lan", at, tolerance)[0]) is not None]
    assert [(stay.since, stay.until) for stay in (*ended, *stays.all())] == cut(moments, tolerance)


@given(st.lists(st.integers(0, 10_000), min_size=1, max_size=40), st.integers(0, 2_000))
def test_hearing_everything_twice_changes_nothing(moments: list[int], tolerance: int) -> None:
    """A sighting that was taken in before, or is older than the end, leaves the interval as it is."""
    once, twice = Stays(), Stays()
    for at in sorted(moments):
        once.sight(MAC, "lan", at, tolerance)
        twice.sight(MAC, "lan", at, tolerance)
        assert twice.sight(MAC, "lan", at, tolerance) == (None, False)
    assert once.all() == twice.all()


def test_one_mac_on_two_segments_has_two_intervals() -> None:
    """A router is on every segment at once: its intervals there don't cut each other."""
    stays = Stays()
    for at in range(0, 1000, 10):
        stays.sight(MAC, "gadgets" if at % 20 else "people", at, 60)
    assert {(stay.segment, stay.since, stay.until) for stay in stays.all()} == {
        ("people", 0, 980),
        ("gadgets", 10, 990),
    }


def test_what_no_sighting_can_extend_is_taken_out() -> None:
    """An interval ends when now is further from its end than the tolerance, not before."""
    stays = Stays([Stay(MAC, "lan", 0, 100)])
    assert stays.end(160, lambda _mac: 60) == []
    assert stays.end(161, lambda _mac: 60) == [Stay(MAC, "lan", 0, 100)]
    assert len(stays) == 0
