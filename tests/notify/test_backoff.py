"""The waits between attempts."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from netaudit.notify.backoff import wait_after


def test_the_first_waits_double() -> None:
    """Half a minute, a minute, two, ... an hour and no more."""
    waits = [wait_after(failures).total_seconds() / 60 for failures in range(1, 10)]
    assert waits == [0.5, 1, 2, 4, 8, 16, 32, 60, 60]


@given(st.integers(0, 10**9))
def test_a_wait_is_bounded_and_never_gets_shorter(failures: int) -> None:
    """However often it failed: between half a minute and an hour."""
    assert timedelta(seconds=30) <= wait_after(failures) <= wait_after(failures + 1) <= timedelta(hours=1)
