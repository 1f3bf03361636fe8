"""
Tables that a stranger can't grow: what was heard, when, how often, and who goes first when there is no room.

Everything on the wire can be made up: a flood of invented MACs or names must neither fill the memory nor push out what
is known for long. So a full table forgets the unconfirmed entry that was silent the longest, and counts what it forgot.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# An entry is confirmed once it was heard over a minute: whoever floods us must keep each invented entry alive for that
# long, at the pace that the table's own size sets (common practice, no source).
CONFIRMED_AFTER_NS = 60 * 1_000_000_000
# How much is forgotten at once, as a share: sorting a full table for each newcomer would be the flood's work done twice.
_FORGOTTEN_AT_ONCE = 8
_NEVER_YET = 1 << 80  # beyond any time that a capture can say


class Span:
    """From when to when something was heard [ns since the epoch], and how often."""

    __slots__ = ("count", "first_ns", "last_ns")

    def __init__(self) -> None:
        self.first_ns = _NEVER_YET
        self.last_ns = -_NEVER_YET
        self.count = 0

    def hear(self, at_ns: int, count: int = 1) -> None:
        """Note that it was heard `count` times more, the last time at `at_ns`; captures may be out of order."""
        self.first_ns = min(self.first_ns, at_ns)
        self.last_ns = max(self.last_ns, at_ns)
        self.count += count

    @property
    def is_confirmed(self) -> bool:
        """Was it heard for long enough to be more than one burst?"""
        return self.last_ns - self.first_ns >= CONFIRMED_AFTER_NS

    def overlaps(self, other: Span) -> bool:
        """Were both heard in turns, so that neither simply replaced the other?"""
        return self.first_ns <= other.last_ns and other.first_ns <= self.last_ns


Key = TypeVar("Key")
Entry = TypeVar("Entry", bound=Span)


class Bounded(Generic[Key, Entry]):
    """
    A table of at most `limit` entries, made by `make` when first heard.

    `before_forgetting` is called when there is no room, before somebody must go: whoever holds counts that are not in the
    table yet brings them in, so that merit is judged by all that was heard.
    `dropped` counts the entries forgotten for want of room: anything above 0 says that the table is no longer whole.
    """

    def __init__(
        self, limit: int, make: Callable[[], Entry], before_forgetting: Callable[[], None] = lambda: None
    ) -> None:
        self._limit = limit
        self._make = make
        self._before_forgetting = before_forgetting
        self._entries: dict[Key, Entry] = {}
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._entries)

    def __iter__(self) -> Iterator[Key]:
        return iter(self._entries)

    def __contains__(self, key: object) -> bool:
        return key in self._entries

    def get(self, key: Key) -> Entry | None:
        """Give an entry, or None."""
        return self._entries.get(key)

    def items(self) -> Iterator[tuple[Key, Entry]]:
        """Give all entries, in the order in which they were first heard."""
        return iter(self._entries.items())

    def values(self) -> Iterator[Entry]:
        """Give all entries, without their keys."""
        return iter(self._entries.values())

    def hear(self, key: Key, at_ns: int, count: int = 1) -> Entry:
        """Note that `key` was heard, and give its entry; it is made, and room for it, if it is new."""
        entry = self._entries.get(key)
        if entry is None:
            if len(self._entries) >= self._limit:
                self._before_forgetting()
            if len(self._entries) >= self._limit:
                self._forget()
            entry = self._entries[key] = self._make()
        entry.hear(at_ns, count)
        return entry

    def _forget(self) -> None:
        """Forget an eighth of the entries: those unconfirmed, longest silent first, and only then confirmed ones."""
        by_merit = sorted(self._entries, key=self._merit)
        for key in by_merit[: max(1, self._limit // _FORGOTTEN_AT_ONCE)]:
            del self._entries[key]
            self.dropped += 1

    def _merit(self, key: Key) -> tuple[bool, int]:
        entry = self._entries[key]
        return entry.is_confirmed, entry.last_ns
