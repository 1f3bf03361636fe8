from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.audit.life import Concern, Memory, closes_after, is_quiet, opens_of, step
from netaudit.audit.rules.rule import Mark
from netaudit.store.store import Store
from tests.audit.scene import NOW

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from netaudit.store.findings import Finding

MINUTE = timedelta(minutes=1)
MARKS = {"H": Mark.HOLDS, "N": Mark.NEAR, "B": Mark.BLIND, "F": Mark.FOLDED}


def say(sign: str, text: str = "it is so") -> list[Concern]:
    """Say one thing of one place: H holds, N near, B blind, F folded, a dot nothing."""
    return [] if sign == "." else [Concern("outgrown", "radio:a/5", MARKS[sign], text, "do this")]


def live(signs: Iterable[str], *, opens_after: int = 2, forget: Sequence[int] = ()) -> list[tuple[int, str]]:
    """Live through judgements; give when something opened or closed. `forget`: restarts, which lose the memory."""
    memory = Memory()
    standing: list[Finding] = []
    events: list[tuple[int, str]] = []
    for index, sign in enumerate(signs):
        if index in forget:
            memory = Memory()
        change = step(memory, standing, say(sign), NOW + index * MINUTE, opens_after=opens_after)
        memory = change.memory
        events += [(index, "opened")] * len(change.opened) + [(index, "closed")] * len(change.closed)
        gone = {one.key for one in change.closed}
        standing = [one for one in standing if one.key not in gone] + list(change.opened)
        assert len(standing) <= 1
    return events


def test_it_opens_after_it_held_so_often_and_closes_after_it_was_clear_so_often() -> None:
    """With two of three: the second time opens, five clear judgements close, once each."""
    assert live("..HH....." + ".") == [(3, "opened"), (8, "closed")]


@pytest.mark.parametrize(("opens_after", "of"), [(1, 1), (2, 3), (3, 4), (4, 6), (10, 15)])
def test_one_clear_judgement_between_does_not_begin_the_count_anew(opens_after: int, of: int) -> None:
    """It opens as soon as k of the last n held, and not with one less."""
    assert opens_of(opens_after) == of
    pauses = of - opens_after
    signs = "H" * (opens_after - 1) + "." * pauses
    assert live(signs + "H", opens_after=opens_after) == [(of - 1, "opened")]
    assert live(signs + ".H", opens_after=opens_after) == ([(of, "opened")] if opens_after == 1 else [])


def test_between_the_marks_nothing_opens_and_nothing_closes() -> None:
    """Near the limit a finding neither opens nor closes, for however long."""
    assert live("N" * 50) == []
    assert live("HH" + "N" * 50) == [(1, "opened")]


def test_who_is_blind_says_nothing() -> None:
    """While it can't be told, an open finding stays and the count towards opening or closing waits."""
    assert live("HH" + "B" * 50) == [(1, "opened")]
    assert live("H" + "B" * 50 + "H") == [(51, "opened")]
    assert live("HH" + "...." + "B" * 50 + ".") == [(1, "opened"), (56, "closed")]


def test_what_a_wider_finding_tells_ends_in_it() -> None:
    """A folded finding closes at once, and a folded concern opens none."""
    assert live("HHF") == [(1, "opened"), (2, "closed")]
    assert live("F" * 20) == []


def test_a_broken_rule_leaves_its_findings_as_they_are() -> None:
    """While its rule is broken a finding stays open without a word from it."""
    opened = step(Memory(), (), say("H"), NOW, opens_after=1)
    memory, standing = opened.memory, opened.opened
    for index in range(50):
        change = step(memory, standing, (), NOW + index * MINUTE, opens_after=1, blind_rules=frozenset({"outgrown"}))
        assert change.closed == ()
        memory = change.memory


@given(st.lists(st.sampled_from("HHN.BF"), max_size=80), st.integers(1, 4), st.sets(st.integers(0, 80)))
@settings(max_examples=300, deadline=None)
def test_opening_and_closing_take_turns_and_their_time(signs: list[str], opens_after: int, forget: set[int]) -> None:
    """
    Whatever comes, restarts included: first opened, then closed, in turns; an opening has its k holding judgements since the
    last closing, a closing its m clear ones (or a wider finding) since the opening.
    """
    events = live(signs, opens_after=opens_after, forget=sorted(forget))
    assert [what for _, what in events] == ["opened", "closed"] * (len(events) // 2) + ["opened"] * (len(events) % 2)
    last = -1
    for index, what in events:
        since = signs[last + 1 : index + 1]
        if what == "opened":
            assert since.count("H") >= opens_after
        else:
            assert signs[index] == "F" or since.count(".") >= closes_after(opens_after)
        last = index


@given(st.lists(st.floats(0.905, 1.6), min_size=5, max_size=200))
@settings(max_examples=200, deadline=None)
def test_noise_around_the_limit_never_flaps(uses: list[float]) -> None:
    """A use that stays above the lower mark opens at most one finding and closes none, however it swings around the limit."""
    events = live("H" if use > 1 else "N" for use in uses)
    assert [what for _, what in events] in ([], ["opened"])


@given(st.lists(st.booleans(), min_size=10, max_size=200))
@settings(max_examples=200, deadline=None)
def test_even_without_a_lower_mark_it_opens_no_oftener_than_it_may(held: list[bool]) -> None:
    """Between two openings there are at least k + m judgements."""
    events = live("H" if one else "." for one in held)
    opened = [index for index, what in events if what == "opened"]
    assert all(later - before >= 2 + closes_after(2) for before, later in pairwise(opened))


def test_words_are_renewed_seldom() -> None:
    """New words reach the finding at most every ten minutes, and the finding keeps when it was opened and since when."""
    opened = step(Memory(), (), say("H", "ten"), NOW, opens_after=1)
    (finding,) = opened.opened
    soon = step(opened.memory, [finding], say("H", "eleven"), NOW + 9 * MINUTE, opens_after=1)
    later = step(opened.memory, [finding], say("H", "twelve"), NOW + 10 * MINUTE, opens_after=1)
    assert soon.updated == ()
    (updated,) = later.updated
    assert (updated.text, updated.opened_at, updated.updated_at) == ("twelve", NOW, NOW + 10 * MINUTE)


def test_a_finding_says_what_where_since_when_why_and_what_to_do() -> None:
    """Rule, place, words, evidence, cure and the moment since when are all in the finding that opens."""
    concern = Concern("r", "switch:x", Mark.HOLDS, "what", "cure", NOW - MINUTE, (("count", "7"),))
    (finding,) = step(Memory(), (), [concern], NOW, opens_after=1).opened
    assert (finding.key, finding.rule, finding.place, finding.text) == ("r switch:x", "r", "switch:x", "what")
    assert finding.evidence == {"cure": "cure", "since": (NOW - MINUTE).isoformat(), "count": "7"}


def test_what_is_kept_survives_a_restart(tmp_path: Path) -> None:
    """A store that is closed and opened again gives back an open finding with its mute, and the next judgements go on."""
    path = tmp_path / "x.db"

    def opened_store(now: datetime) -> Store:
        return Store.open(path, site="x", clock=lambda: now)

    with opened_store(NOW) as store:
        change = step(Memory(), (), say("H"), NOW, opens_after=1)
        (one,) = change.opened
        store.save_finding(key=one.key, rule=one.rule, place=one.place, text=one.text, evidence=one.evidence, at=NOW)
        store.mute_finding(one.key, NOW + 60 * MINUTE, "the guests leave on Sunday")
    with opened_store(NOW + MINUTE) as store:
        (kept,) = store.open_findings()
    assert is_quiet(kept, NOW + 59 * MINUTE)
    assert not is_quiet(kept, NOW + 61 * MINUTE)
    memory, standing = Memory(), [kept]
    for index in range(1, closes_after(1) + 1):
        change = step(memory, standing, (), NOW + index * MINUTE, opens_after=1)
        memory = change.memory
        assert len(change.closed) == (index == closes_after(1))
