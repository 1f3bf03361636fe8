"""Drafts: whatever was answered or seen, the written plan passes the checks, and guesses say that they are."""

from __future__ import annotations

import tomllib
from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.errors import PlanError
from netaudit.site.draft import GUESS, Answers, Seen, draft_from_answers, draft_from_sight
from netaudit.site.load import own_profiles, parse_site
from netaudit.site.topology import follow
from netaudit.site.write import plan_text

HOME = IPv4Network("192.0.2.0/24")
SEEN = st.builds(
    Seen,
    mac=st.integers(0, 2**20).map(
        lambda number: f"02:00:5e:{number >> 16:02x}:{number >> 8 & 255:02x}:{number & 255:02x}"
    ),
    addresses=st.lists(
        st.one_of(st.integers(0, 300).map(lambda host: IPv4Address(int(HOME[0]) + host)), st.ip_addresses(v=4)),
        max_size=3,
    ).map(tuple),
    names=st.lists(st.text(max_size=80), max_size=2).map(tuple),
    word=st.sampled_from((None, "router", "switch", "access point", "camera", "printer", "telephone", "computer", "x")),
    evidence=st.text(max_size=60),
    made_up=st.booleans(),
    vlan=st.one_of(st.none(), st.integers(0, 4095)),
)


@given(
    name=st.text(max_size=200),
    rooms=st.lists(st.text(max_size=70), max_size=5).map(tuple),
    have=st.dictionaries(st.sampled_from(sorted(own_profiles())), st.integers(0, 200), max_size=6),
)
@settings(max_examples=60, deadline=None)
def test_a_plan_from_answers_passes_the_checks(name: str, rooms: tuple[str, ...], have: dict[str, int]) -> None:
    """Any name, rooms and counts: the written text is a sound plan with as many devices as were answered."""
    draft = draft_from_answers(Answers(name, HOME, rooms, have))
    site = parse_site(plan_text(draft.raw, head=name, comments=draft.comments))
    assert sum(device.count for device in site.device.values()) == sum(have.values())


@given(seen=st.lists(SEEN, max_size=25, unique_by=lambda one: one.mac))
@settings(max_examples=120, deadline=None)
def test_a_plan_from_sight_passes_the_checks(seen: list[Seen]) -> None:
    """Any names, words, addresses and VLANs, hostile ones too; nobody is listed twice, nobody outside private ranges."""
    draft = draft_from_sight("seen", seen, (HOME,))
    site = parse_site(plan_text(draft.raw, comments=draft.comments))
    macs = [mac for device in site.device.values() for mac in device.mac]
    assert len(macs) == len(set(macs))
    assert set(macs) <= {one.mac for one in seen}


def test_every_guess_is_marked() -> None:
    """Each device, switch and access point that was not told outright has a comment that begins with the mark."""
    draft = draft_from_sight(
        "seen", [Seen("02:00:5e:00:00:01", (HOME[7],), ("cam.local",), "camera", "offers _rtsp._tcp")], (HOME,)
    )
    text = plan_text(draft.raw, comments=draft.comments).splitlines()
    for header in ("[segment.home]", "[device.cam]", "[switch.switch-1]", "[recorder.recorder]", "[router]"):
        assert text[text.index(header) - 1].startswith(f"# {GUESS}")
    # Who is seen says nothing of how it got its address.
    assert "dhcp = false" in text[text.index("[segment.home]") - 1]
    assert "offers _rtsp._tcp" in text[text.index("[device.cam]") - 1]


@pytest.mark.parametrize(
    ("seen", "kind", "why"),
    [
        ({"word": "printer", "names": ("camera",), "evidence": "offers _ipp._tcp"}, "printer", "offers _ipp._tcp"),
        ({"names": ("x", "Cam-Gate.local"), "made_up": True}, "camera", "a cam, as its name says"),
        ({"names": ("camshaft",), "vendor": "Acme"}, "desktop", "only its address, registered to Acme, is known"),
        ({"made_up": True}, "phone", "made up anew"),
        ({}, "desktop", "nothing told what it is"),
    ],
)
def test_a_kind_is_guessed_from_what_says_most(seen: dict[str, object], kind: str, why: str) -> None:
    """First what it offers, then what it is called, then to whom its address was given; the guess says which."""
    draft = draft_from_sight("seen", [Seen("02:00:5e:00:00:01", (HOME[7],), **seen)], (HOME,))  # type: ignore[arg-type]
    ((name, row),) = draft.raw["device"].items()
    assert row["kind"] == kind
    assert draft.comments[f"device.{name}"].startswith(GUESS)
    assert why in draft.comments[f"device.{name}"]


def test_what_is_on_the_air_is_shared_between_all_rooms() -> None:
    """Forty telephones in a house of three rooms: no access point gets more than another, for nobody said where they are."""
    draft = draft_from_answers(Answers("x", HOME, ("kitchen", "hall", "attic"), {"phone": 40}))
    site = parse_site(plan_text(draft.raw, comments=draft.comments))
    counts = {key: sum(one.count for one in found) for key, found in follow(site).stations.items()}
    served = [count for count in counts.values() if count]
    assert len(served) == len(site.access_point) == 2
    assert served == [20.0, 20.0]


def test_rooms_keep_their_letters() -> None:
    """A room is called what its owner calls it, in any alphabet; two rooms don't become one."""
    draft = draft_from_answers(Answers("x", HOME, ("Küche", " Öl-Keller", "кухня", "зал")))
    site = parse_site(plan_text(draft.raw, comments=draft.comments))
    assert list(site.room) == ["küche", "öl-keller", "кухня", "зал"]


def test_public_networks_are_refused() -> None:
    """A draft is of a private network; 8.8.8.0/24 is nobody's to plan (RFC 1918, RFC 5737)."""
    with pytest.raises(PlanError, match="private"):
        draft_from_answers(Answers("x", IPv4Network("8.8.8.0/24")))
    with pytest.raises(PlanError, match="private"):
        draft_from_sight("x", [Seen("02:00:5e:00:00:01", (IPv4Address("8.8.8.8"),))])


VALUES = st.one_of(st.booleans(), st.integers(-(2**40), 2**40), st.floats(allow_nan=False), st.text(max_size=30))
ROWS = st.dictionaries(
    st.text(min_size=1, max_size=12),
    st.one_of(
        VALUES,
        st.lists(VALUES, max_size=3),
        st.dictionaries(st.text(min_size=1, max_size=5), VALUES, max_size=3),
        st.lists(
            st.dictionaries(st.text(min_size=1, max_size=5), VALUES, min_size=1, max_size=3), min_size=1, max_size=3
        ),
    ),
    max_size=5,
)


@given(
    named=st.dictionaries(st.text(min_size=1, max_size=8), ROWS, min_size=1, max_size=3),
    single=ROWS,
    walls=st.lists(ROWS, max_size=2),
    said=st.text(max_size=50),
)
@settings(max_examples=150, deadline=None)
def test_what_is_written_reads_back_as_it_was(
    named: dict[str, object], single: dict[str, object], walls: list[object], said: str
) -> None:
    """The standard library's reader gives back what was written, whatever the names, texts and comments."""
    raw = {"site": single, "device": named, **({"wall": walls} if walls else {})}
    comments = {"site": said, **{f"device.{name}": said for name in named}}
    assert tomllib.loads(plan_text(raw, head=said, comments=comments)) == raw
