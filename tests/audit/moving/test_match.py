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
    """A new machine under an old name was replaced, or isn't it: unsure, if only one of the two MACs is burnt in, too."""
    for before, now in ((BURNT, OTHER), (BURNT, MADE), (MADE, BURNT)):
        found = match([named(before, "desk")], [named(now, "desk")])
        assert not found.pairs
        assert [(one.mac, [two.mac for two in candidates]) for one, candidates in found.unsure] == [(before, [now])]


def test_names_that_many_announce_alike_count_for_nothing() -> None:
    """A name heard by mDNS joins nobody."""
    found = match([named(MADE, "printer", origin="mdns")], [named(MADE_ANEW, "printer", origin="mdns")])
    assert [one.mac for one in found.missing] == [MADE]
    assert asked_as(named(MADE, ".", "")) == frozenset()


def identified(mac: str, *identifiers: str, name: str = "") -> Known:
    """Give a device that asks with these client identifiers, and under a name."""
    return Known(mac, (*((one, "client_id") for one in identifiers), *(((name, "dhcp"),) if name else ())))


# RFC 2132, 9.14: an identifier is meant to be unique among the clients of a network; RFC 4361: it outlasts a MAC.
def test_a_client_identifier_goes_before_a_name() -> None:
    """Who bears the identifier is the device, not who bears its name; one made-up MAC is enough."""
    for mac in (MADE, BURNT):
        found = match(
            [identified(mac, "ff01", name="tablet")],
            [identified(MADE_ANEW, "ff01", name="new-name"), identified(MADE_TOO, "ff02", name="tablet")],
        )
        assert [(pair.before.mac, pair.now.mac, pair.by) for pair in found.pairs] == [(mac, MADE_ANEW, By.CLIENT_ID)]


def test_an_identifier_that_two_bear_joins_nobody() -> None:
    """Copied machines with one identifier are told apart by their names, else they are unsure."""
    before = [identified(MADE, "ff01", name="a"), identified("0e:00:00:00:00:01", "ff01", name="b")]
    found = match(before, [identified(MADE_ANEW, "ff01", name="a"), identified(MADE_TOO, "ff01", name="b")])
    assert {(pair.before.mac, pair.now.mac, pair.by) for pair in found.pairs} == {
        (MADE, MADE_ANEW, By.NAME),
        ("0e:00:00:00:00:01", MADE_TOO, By.NAME),
    }
    found = match(before, [identified(MADE_ANEW, "ff01"), identified(MADE_TOO, "ff01")])
    assert not found.pairs
    assert len(found.unsure) == 2


def test_a_name_joins_nobody_against_the_identifiers() -> None:
    """Two tablets of one name with identifiers of their own are two; two burnt-in MACs with one identifier are unsure."""
    found = match([identified(MADE, "ff01", name="tablet")], [identified(MADE_ANEW, "ff02", name="tablet")])
    assert not found.pairs
    assert found.unsure
    found = match([identified(BURNT, "ff01")], [identified(OTHER, "ff01")])
    assert not found.pairs
    assert found.unsure


def test_one_that_bears_the_names_of_two_is_nobody_for_sure() -> None:
    """Who asks under both names now can't have been both."""
    found = match([named(MADE, "a"), named(MADE_TOO, "b")], [named(MADE_ANEW, "a", "b")])
    assert not found.pairs
    assert len(found.unsure) == 2


# IEEE 802-2014, 8.4: the second bit of the first octet.
def test_made_up_macs_are_those_with_the_local_bit() -> None:
    """02, 06, 0a and 0e as the first octet's last digit are made up; 00, 04, 08 and 0c are not."""
    assert [is_made_up(f"{octet:02x}:00:00:00:00:00") for octet in (0, 2, 4, 6, 8, 10, 12, 14)] == [False, True] * 4


MACS = st.sampled_from([BURNT, OTHER, MADE, MADE_ANEW, MADE_TOO])
MARKS = st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["dhcp", "client_id"])), max_size=3).map(tuple)
SIDE = st.lists(st.builds(Known, MACS, MARKS), max_size=5, unique_by=lambda one: one.mac)


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
