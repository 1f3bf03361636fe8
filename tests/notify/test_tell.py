"""From findings to letters: each is told once to each channel that wants it, whatever happens in between."""

from __future__ import annotations

import logging
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import StoreError
from netaudit.notify.channel import Channel, Variable
from netaudit.notify.tell import Teller
from netaudit.notify.words import URGENCY
from netaudit.store import outbox
from tests.notify.scene import ALL, ZONE, channel, open_store

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from netaudit.store.store import Store
    from tests.clock import Clock

DAY = timedelta(days=1)
URGENT = Channel("urgent", Variable("A", {}), frozenset(("now",)))
DIGEST = channel("digest", gathered=frozenset(("sometime",)), digest=DAY)


def teller(store: Store, *channels: Channel) -> Teller:
    """Make a teller for which the rule of a finding is its weight."""
    return Teller(store, channels, weight_of=lambda rule: rule, named=lambda place: f"<{place}>", zone=ZONE)


def find(store: Store, clock: Clock, key: str = "k", weight: str = "now") -> None:
    """Open a finding."""
    store.save_finding(key=key, rule=weight, place=f"at:{key}", text=f"text {key}", evidence={}, at=clock.now)


def queued(store: Store, channels: Sequence[str] = ("mail",)) -> list[str]:
    """Give what waits, as "opened k" or "closed k"."""
    return [
        f"{one.key.split()[0]} {one.key.split(' ', 2)[2]}" for name in channels for one in store.queued_letters(name)
    ]


def test_each_channel_is_told_what_it_asked_for(store: Store, clock: Clock) -> None:
    """By weight; what can wait goes to the digest of a channel that has one, as it is of a channel that has none."""
    for weight in ("now", "soon", "sometime"):
        find(store, clock, weight, weight)
    assert teller(store, channel(), URGENT, DIGEST).tell(clock.now) == 7
    assert queued(store) == ["opened now", "opened soon", "opened sometime"]
    assert queued(store, ["urgent"]) == ["opened now"]
    assert queued(store, ["digest"]) == ["opened now", "opened soon"]
    assert queued(store, ["digest/digest"]) == ["opened sometime"]
    assert "Where: <at:now>" in store.queued_letters("mail")[0].body


def test_nothing_is_told_twice_and_the_end_is_told(store: Store, clock: Clock) -> None:
    """However often it is asked, also after delivery; the same trouble coming back is told anew."""
    one = teller(store, channel())
    find(store, clock)
    assert [one.tell(clock.forward(minutes=1)) for _ in range(3)] == [1, 0, 0]
    store.letter_sent(store.queued_letters("mail")[0].id, clock.now)
    assert one.tell(clock.now) == 0
    store.close_finding("k", clock.now)
    assert [one.tell(clock.forward(minutes=1)) for _ in range(3)] == [1, 0, 0]
    find(store, clock)
    one.tell(clock.forward(minutes=1))
    assert queued(store) == ["closed k", "opened k"]


def test_letters_stand_in_the_order_of_events(store: Store, clock: Clock) -> None:
    """Openings and ends that are told late come as they happened."""
    one = teller(store, channel())
    find(store, clock, "a")
    one.tell(clock.now)
    clock.forward(minutes=1)
    find(store, clock, "b")
    store.close_finding("a", clock.forward(minutes=1))
    clock.forward(minutes=1)
    find(store, clock, "c")
    one.tell(clock.now)
    assert queued(store) == ["opened a", "opened b", "closed a", "opened c"]


def test_a_crash_between_finding_and_letter_loses_nothing(tmp_path: Path, clock: Clock) -> None:
    """What was kept and not told is told after the restart; what was told is not told again."""
    with open_store(tmp_path, clock) as store:
        find(store, clock, "told")
        teller(store, channel()).tell(clock.now)
        clock.forward(minutes=1)
        find(store, clock, "kept")
        store.close_finding("told", clock.now)
    clock.forward(hours=1)
    with open_store(tmp_path, clock) as store:
        assert teller(store, channel()).tell(clock.now) == 2
        assert sorted(queued(store)) == ["closed told", "opened kept", "opened told"]


def test_what_a_person_muted_or_has_seen_is_not_told(store: Store, clock: Clock) -> None:
    """Until the mute is over; nor that it is over, if it ends while muted."""
    one = teller(store, channel())
    for key in ("seen", "muted", "ends"):
        find(store, clock, key)
    store.acknowledge_finding("seen", clock.now, "I know")
    for key in ("muted", "ends"):
        store.mute_finding(key, clock.now + 30 * DAY, "away")
    assert one.tell(clock.forward(minutes=1)) == 0
    store.close_finding("ends", clock.now)
    assert one.tell(clock.forward(days=29)) == 0
    assert one.tell(clock.forward(days=1)) == 1
    assert queued(store) == ["opened muted"]


def test_the_end_of_what_was_muted_meanwhile_is_not_told(store: Store, clock: Clock) -> None:
    """Also when its beginning was told, and also after the mute."""
    one = teller(store, channel())
    find(store, clock)
    assert one.tell(clock.now) == 1
    store.mute_finding("k", clock.now + DAY, "away")
    store.close_finding("k", clock.forward(hours=1))
    assert [one.tell(clock.now), one.tell(clock.forward(days=2))] == [0, 0]


def test_the_end_is_told_of_what_was_told_only(store: Store, clock: Clock) -> None:
    """A new channel doesn't hear the ends of what it never heard of, nor openings that are no news."""
    find(store, clock, "old")
    clock.forward(days=8)
    find(store, clock, "young")
    store.close_finding("young", clock.forward(minutes=1))
    assert teller(store, channel()).tell(clock.now) == 0


def test_the_end_of_a_long_trouble_is_told_when_the_letter_of_its_beginning_is_forgotten(
    store: Store, clock: Clock
) -> None:
    """The outbox remembers a month; a trouble may last longer."""
    find(store, clock)
    teller(store, channel()).tell(clock.now)
    store.letter_sent(store.queued_letters("mail")[0].id, clock.now)
    assert store.prune(clock.forward(days=40))["outbox"] == 1
    store.close_finding("k", clock.now)
    assert teller(store, channel()).tell(clock.now) == 1
    assert queued(store) == ["closed k"]


def test_a_full_channel_stops_no_other_and_is_told_once(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """What didn't fit is put in when there is room again."""
    monkeypatch.setattr(outbox, "MAX_WAITING", 1)
    for key in ("a", "b"):
        find(store, clock, key)
    one = teller(store, channel("full"), channel("mail"))
    store.put_letter(key="x", channel="full", body="x", at=clock.now)
    with caplog.at_level(logging.ERROR):
        assert one.tell(clock.now) == 0
        store.letter_sent(store.queued_letters("mail")[0].id, clock.now)
        assert one.tell(clock.now) == 1
    assert [record.message.split(":")[0] for record in caplog.records] == ["channel full", "channel mail"]
    store.letter_sent(store.queued_letters("full")[0].id, clock.now)
    one.tell(clock.now)
    assert queued(store, ["full"]) == ["opened a"]


def test_a_store_that_fails_is_told(store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    """The caller decides what a store that can't be read means."""

    def fails() -> None:
        raise StoreError("site.db: is damaged")

    monkeypatch.setattr(store, "open_findings", fails)
    with pytest.raises(StoreError, match="is damaged"):
        teller(store, channel()).tell(clock.now)
    assert teller(store).tell(clock.now) == 0


def test_all_weights_are_known_to_the_words() -> None:
    """No finding lacks its urgency."""
    assert set(URGENCY) == ALL
