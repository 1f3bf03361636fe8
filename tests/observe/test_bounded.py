from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from netaudit.observe.bounded import CONFIRMED_AFTER_NS, Bounded, Span
from tests.wire.abuse import repeatable


@repeatable
@given(heard=st.lists(st.tuples(st.integers(0, 10**12), st.integers(0, 5)), min_size=1))
def test_a_span_is_from_the_first_to_the_last(heard: list[tuple[int, int]]) -> None:
    """In whatever order it is heard, a span begins with the earliest and ends with the latest, and counts all."""
    span = Span()
    for at_ns, count in heard:
        span.hear(at_ns, count)
    assert (span.first_ns, span.last_ns) == (min(at for at, _ in heard), max(at for at, _ in heard))
    assert span.count == sum(count for _, count in heard)


@repeatable
@given(keys=st.lists(st.integers(0, 200)), limit=st.integers(1, 40))
def test_a_table_never_outgrows_its_limit_and_counts_what_it_forgot(keys: list[int], limit: int) -> None:
    """Entries kept and entries dropped are together all that were ever made."""
    made = 0

    def make() -> Span:
        nonlocal made
        made += 1
        return Span()

    table: Bounded[int, Span] = Bounded(limit, make)
    for at_ns, key in enumerate(keys):
        table.hear(key, at_ns)
        assert len(table) <= limit
        assert key in table
    assert made == len(table) + table.dropped


def test_the_unconfirmed_and_longest_silent_goes_first() -> None:
    """A flood pushes out itself: who was heard for a minute stays, although silent for longer than all of the flood."""
    table: Bounded[str, Span] = Bounded(100, Span)
    for name in ("lamp", "lock"):
        table.hear(name, 0)
        table.hear(name, CONFIRMED_AFTER_NS)
    table.hear("visitor", CONFIRMED_AFTER_NS)
    for number in range(10_000):
        table.hear(f"made up {number}", 2 * CONFIRMED_AFTER_NS + number)
    assert "lamp" in table
    assert "lock" in table
    assert "visitor" not in table
    assert "made up 0" not in table
    assert "made up 9999" in table
    assert table.dropped == 10_003 - len(table)


def test_when_all_are_confirmed_the_longest_silent_goes() -> None:
    """A table full of old acquaintances forgets the one that was silent the longest."""
    table: Bounded[int, Span] = Bounded(16, Span)
    for key in range(16):
        table.hear(key, 0)
        table.hear(key, 2 * CONFIRMED_AFTER_NS + key)
    table.hear(99, 3 * CONFIRMED_AFTER_NS)
    assert 0 not in table
    assert 1 not in table
    assert 2 in table
    assert 99 in table
