"""Who is who on both sides of a move."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from netaudit.audit.moving.known import Known, is_made_up
from netaudit.audit.moving.match import By, asked_as, match

BURNT, OTHER = "00:00:5e:00:53:01", "00:00:5e:00:53:02"
MADE, MADE_ANEW, MADE_TOO = "02:00:5e:00:00:01", "06:00:5e:00:00:02", "0a:00:5e:00:00:03"


def named(mac: str, *names: str, origin: str = "dhcp") -> Known:
    """Give a device that asks under these names."""
    return Known(mac, tuple((name, origin) for name in names))


def test_the_same_mac_is_the_same_device_whatever_it_is_called() -> None:
    """A MAC decides, also against a name."""
    found = match([named(BURNT, "desk")], [named(BURNT, "other"), named(OTHER, "desk")])
    assert [(pair.before.mac, pair.now.mac, pair.by) for pair in found.pairs] == [(BURNT, BURNT, By.MAC)]
    assert [one.mac for one in found.new] == [OTHER]


def test_a_mac_made_up_anew_is_recognised_by_its_name_when_one_bears_it() -> None:
    """Name and domain in any case: the tablet with a new MAC is the tablet."""
    found = match([named(MADE, "Tablet.lan")], [named(MADE_ANEW, "tablet"), named(OTHER, "desk")])
    assert [(pair.before.mac, pair.now.mac, pair.by) for pair in found.pairs] == [(MADE, MADE_ANEW, By.NAME)]
    assert not found.missing
    assert not found.unsure


def test_two_of_a_name_are_never_joined() -> None:
    """Two telephones with one name, on either side, are unsure: a person decides."""
    for before, now in (
        ([named(MADE, "phone")], [named(MADE_ANEW, "phone"), named(MADE_TOO, "phone")]),
        ([named(MADE, "phone"), named(MADE_TOO, "phone")], [named(MADE_ANEW, "phone")]),
        ([named(MADE, "phone"), named(MADE_TOO, "phone")], [named(MADE_TOO, "phone"), named(MADE_ANEW, "phone")]),
    ):
        found = match(before, now)
        assert all(pair.by is By.MAC for pair in found.pairs)
        assert found.unsure
        assert all(MADE_ANEW in {one.mac for one in candidates} for _, candidates in found.unsure)


def test_a_burnt_in_mac_is_never_joined_by_name() -> None:
    """A new machine under an old name was replaced, or isn't it: unsure."""
    found = match([named(BURNT, "desk")], [named(OTHER, "desk")])
    assert not found.pairs
    assert [(one.mac, [two.mac for two in candidates]) for one, candidates in found.unsure] == [(BURNT, [OTHER])]


def test_names_that_many_announce_alike_count_for_nothing() -> None:
    """A name heard by mDNS joins nobody."""
    found = match([named(MADE, "printer", origin="mdns")], [named(MADE_ANEW, "printer", origin="mdns")])
    assert [one.mac for one in found.missing] == [MADE]
    assert asked_as(named(MADE, ".", "")) == frozenset()


# IEEE 802-2014, 8.4: the second bit of the first octet.
def test_made_up_macs_are_those_with_the_local_bit() -> None:
    """02, 06, 0a and 0e as the first octet's last digit are made up; 00, 04, 08 and 0c are not."""
    assert [is_made_up(f"{octet:02x}:00:00:00:00:00") for octet in (0, 2, 4, 6, 8, 10, 12, 14)] == [False, True] * 4


MACS = st.sampled_from([BURNT, OTHER, MADE, MADE_ANEW, MADE_TOO])
SIDE = st.lists(st.builds(named, MACS, st.sampled_from(["a", "b", "c"])), max_size=5, unique_by=lambda one: one.mac)


@given(SIDE, SIDE)
def test_each_stands_once_and_order_changes_nothing(before: list[Known], now: list[Known]) -> None:
    """Every device of each side is in exactly one list; shuffled sides give the same pairs."""
    found = match(before, now)
    left = [*(pair.before for pair in found.pairs), *(one for one, _ in found.unsure), *found.missing]
    right = [*(pair.now for pair in found.pairs), *found.new]
    assert sorted(one.mac for one in left) == sorted(one.mac for one in before)
    assert sorted(one.mac for one in right) == sorted(one.mac for one in now)
    again = match(before[::-1], now[::-1])
    assert {(pair.before.mac, pair.now.mac) for pair in found.pairs} == {
        (pair.before.mac, pair.now.mac) for pair in again.pairs
    }
