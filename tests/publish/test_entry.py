from __future__ import annotations

import pytest

from netaudit.errors import OutOfRange
from netaudit.publish.entry import MOST_CLIENTS, MOST_SESSIONS, SESSION_S, SHORTEST_TOKEN, Access, Pace, Sessions

TOKEN = "correct-horse-battery"  # noqa: S105 - of these tests


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        """Give the seconds."""
        return self.s


def test_only_the_token_opens() -> None:
    """The token opens; nothing else does, and without a token nothing does."""
    assert Access(TOKEN).opens(TOKEN)
    for wrong in ("", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "\u202e", "None"):
        assert not Access(TOKEN).opens(wrong)
        assert not Access().opens(wrong)


def test_a_token_that_can_be_guessed_is_refused() -> None:
    """A short token, or a page that needs one and has none, is an error that says what to do."""
    with pytest.raises(OutOfRange, match="take 16 random ones"):
        Access("x" * (SHORTEST_TOKEN - 1))
    with pytest.raises(OutOfRange, match="there is none"):
        Access(reading=True)


def test_a_session_ends_by_time_and_by_hand() -> None:
    """A session is found until its time is over or it is closed; no two have a number or a form's secret in common."""
    clock = Clock()
    sessions = Sessions(clock)
    one, other = sessions.open(), sessions.open()
    assert len({one.number, one.form, other.number, other.form}) == 4
    assert sessions.find(one.number) == one
    sessions.close(one.number)
    assert sessions.find(one.number) is None
    clock.s = SESSION_S - 1
    assert sessions.find(other.number) == other
    clock.s = SESSION_S
    assert sessions.find(other.number) is None
    assert sessions.find("") is None


def test_sessions_are_bounded() -> None:
    """The oldest session makes room for a new one beyond the most."""
    sessions = Sessions(Clock())
    opened = [sessions.open() for _ in range(MOST_SESSIONS + 1)]
    assert sessions.find(opened[0].number) is None
    assert all(sessions.find(one.number) for one in opened[1:])


def test_a_bucket_lets_through_what_it_holds_and_what_flows_in() -> None:
    """Of many requests at once `most` pass, then `per_s` a second (the law of the token bucket); clients are apart."""
    clock = Clock()
    pace = Pace(5, 2, clock)
    assert [pace.allows("a") for _ in range(8)] == [True] * 5 + [False] * 3
    assert pace.allows("b")
    clock.s = 1.0
    assert [pace.allows("a") for _ in range(4)] == [True, True, False, False]
    clock.s = 1000.0
    assert sum(pace.allows("a") for _ in range(50)) == 5


def test_the_memory_of_clients_is_bounded() -> None:
    """However many addresses ask, no more than the most are remembered."""
    pace = Pace(5, 2, Clock())
    for number in range(MOST_CLIENTS * 2):
        pace.allows(str(number))
    assert len(pace._left) == MOST_CLIENTS
