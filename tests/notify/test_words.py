"""What a message says, and what it can't do."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.notify.words import LONGEST_BODY, LONGEST_TITLE, closing, enclose, harmless, mark, opening, span, trial
from netaudit.store.findings import Finding
from netaudit.store.outbox import Letter
from tests.notify.scene import ZONE

# 20:14 UTC: 21:14 by the clock of the zone in July (Western European Summer Time, UTC+1).
AT = datetime(2026, 7, 2, 20, 14, tzinfo=UTC)
FOUND = Finding(
    key="outgrown switch:barn/ports",
    rule="outgrown",
    place="switch:barn/ports",
    text="22 ports in use, 20 planned at most",
    evidence={
        "cure": "Add a switch.",
        "since": "2026-07-02T19:00:00+00:00",
        "in_use": "22",
        "planned": "20",
        "empty": "",
    },
    opened_at=AT,
    updated_at=AT,
    closed_at=None,
    acknowledged_at=None,
    muted_until=None,
    reason="",
)
LETTER = Letter(7, "opened 1 x", "mail", "title\nbody", AT, AT, 0, "")


def test_a_message_says_what_where_since_when_why_and_what_to_do() -> None:
    """The whole text, line by line, by the site's clock."""
    assert opening(FOUND, site="Barn", weight="soon", where="switch barn", zone=ZONE).splitlines() == [
        "Barn, look soon: 22 ports in use, 20 planned at most",
        "What: 22 ports in use, 20 planned at most",
        "Where: switch barn",
        "Since: 2026-07-02 20:00 WEST",
        "Evidence: in use 22; planned 20",
        "What to do: Add a switch.",
    ]


def test_a_command_stands_bare_in_a_letter() -> None:
    """The backticks that a page shows as code are taken away, from what was found and from the cure."""
    found = replace(FOUND, text="full (`a b`)", evidence={"cure": "see `netaudit dimension`, it`s there"})
    lines = opening(found, site="Barn", weight="soon", where="switch barn", zone=ZONE).splitlines()
    assert lines[:2] == ["Barn, look soon: full (a b)", "What: full (a b)"]
    assert lines[-1] == "What to do: see netaudit dimension, it`s there"


def test_its_end_says_from_when_to_when() -> None:
    """What is over needs nothing done; what went into a wider finding says so."""
    over = replace(FOUND, closed_at=AT + timedelta(hours=2), evidence={**FOUND.evidence, "closed": "over"})
    assert closing(over, site="Barn", where="switch barn", zone=ZONE).splitlines() == [
        "Barn, over: 22 ports in use, 20 planned at most",
        "What: 22 ports in use, 20 planned at most",
        "Where: switch barn",
        "From: 2026-07-02 20:00 WEST",
        "To: 2026-07-02 23:14 WEST",
        "What to do: nothing any more",
    ]
    folded = replace(over, evidence={"closed": "told in a wider finding"})
    text = closing(folded, site="Barn", where="switch barn", zone=ZONE)
    assert "Barn, now part of another message: " in text
    assert "From: 2026-07-02 21:14 WEST (found then)" in text


@pytest.mark.parametrize(
    ("late", "line"),
    [
        (timedelta(minutes=4), []),
        (timedelta(minutes=5), ["Written: 2026-07-02 21:14 WEST, 5 min before it was sent"]),
        (timedelta(hours=8, minutes=46), ["Written: 2026-07-02 21:14 WEST, 8 h 46 min before it was sent"]),
        (timedelta(days=-3), []),
    ],
)
def test_a_late_message_says_its_age(late: timedelta, line: list[str]) -> None:
    """From five minutes on; a clock that was set back makes no age."""
    assert enclose("home", LETTER, AT + late, ZONE).splitlines() == [
        "title",
        "body",
        *line,
        f"Message: {mark('home', LETTER)}",
    ]


def test_the_mark_is_of_the_letter_and_not_of_the_attempt() -> None:
    """The same after failures and restarts; another one for another channel, key or site."""
    tried = replace(LETTER, id=9, attempts=5, trouble="x", due_at=AT + timedelta(days=1), body="other")
    assert mark("home", LETTER) == mark("home", tried)
    others = [
        mark("home", replace(LETTER, channel="hook")),
        mark("home", replace(LETTER, key="y")),
        mark("barn", LETTER),
    ]
    assert len({mark("home", LETTER), *others}) == 4


def test_spans_are_written_in_two_units() -> None:
    """Minutes, hours, days."""
    assert [span(59), span(60 * 119), span(3600 * 47), span(3600 * 51)] == [
        "0 min",
        "1 h 59 min",
        "47 h 0 min",
        "2 d 3 h",
    ]


@given(st.text(max_size=500), st.integers(4, 200))
def test_nothing_from_the_wire_can_steer_a_message(text: str, longest: int) -> None:
    """One line, printable to the last character, no longer than allowed, and the same when done twice."""
    said = harmless(text, longest)
    assert len(said) <= longest
    assert all(unicodedata.category(one)[0] != "C" for one in said)
    assert len(said.splitlines()) <= 1
    assert harmless(said, longest) == said


@given(
    st.text(max_size=3000),
    st.text(max_size=3000),
    st.dictionaries(st.text(max_size=200), st.one_of(st.text(max_size=3000), st.integers(), st.none()), max_size=40),
)
def test_a_message_is_bounded_whatever_it_is_about(text: str, where: str, evidence: dict[str, object]) -> None:
    """A title and a few lines, each of ours; no more than a chat service takes."""
    found = replace(FOUND, text=text, evidence=evidence, closed_at=AT)
    for body in (
        opening(found, site=text, weight="now", where=where, zone=ZONE),
        closing(found, site=text, where=where, zone=ZONE),
        trial(site=text, channel=where, now=AT, zone=ZONE),
    ):
        assert len(body) <= LONGEST_BODY
        lines = body.splitlines()
        assert len(lines[0]) <= LONGEST_TITLE
        assert all(
            line.startswith(
                ("What: ", "Where: ", "Since: ", "From: ", "To: ", "Sent: ", "Evidence: ", "What to do: ", "...")
            )
            for line in lines[1:]
        )


def test_a_name_that_turns_text_around_is_straightened() -> None:
    """UAX 9: U+202E overrides the direction; an escape sequence loses its escape; a line break becomes a blank."""
    assert harmless("a\u202egpj.exe\x1b[2J\r\nFrom: x", 99) == "agpj.exe[2J From: x"
