"""The life of findings, letters and documents."""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256
from typing import TYPE_CHECKING

import pytest
from sqlalchemy.exc import IntegrityError

from netaudit.errors import StoreError
from netaudit.store import outbox
from netaudit.store.outbox import Waiting
from netaudit.store.records import Document

if TYPE_CHECKING:
    from netaudit.store.store import Store
    from tests.clock import Clock

HOUR = timedelta(hours=1)


def save(store: Store, clock: Clock, key: str = "outgrown switch:barn", **evidence: object) -> bool:
    return store.save_finding(
        key=key, rule="outgrown", place="switch:barn", text="is full", evidence=evidence, at=clock.now
    )[1]


def test_a_finding_is_opened_once_updated_and_closed_once(store: Store, clock: Clock) -> None:
    """While it is open its key is one row whose evidence moves; closed and back again it is a second finding."""
    began = clock.now
    assert save(store, clock, used=47)
    clock.forward(hours=1)
    assert not save(store, clock, used=48)
    (found,) = store.open_findings()
    assert (found.opened_at, found.updated_at, found.evidence) == (began, began + HOUR, {"used": 48})
    closed = store.close_finding(found.key, clock.forward(hours=1))
    assert closed is not None
    assert closed.closed_at == began + 2 * HOUR
    assert store.close_finding(found.key, clock.now) is None
    assert store.open_findings() == []
    assert save(store, clock, used=50)
    assert [one.evidence for one in store.closed_findings(began, clock.now + HOUR)] == [{"used": 48}]
    assert [one.evidence for one in store.open_findings()] == [{"used": 50}]


def test_two_open_findings_of_one_key_can_not_be(store: Store, clock: Clock) -> None:
    """The database itself refuses it, whoever writes."""
    save(store, clock)
    with pytest.raises(IntegrityError), store._engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO findings (site, id, key, rule, place, text, evidence, opened_at, updated_at, reason, rev) "
            "SELECT site, 99, key, rule, place, text, evidence, opened_at, updated_at, reason, rev FROM findings"
        )


def test_muting_needs_a_reason_and_ends(store: Store, clock: Clock) -> None:
    """A muted finding is open and known as muted until its hour; what is not open can't be muted or acknowledged."""
    save(store, clock)
    key = "outgrown switch:barn"
    with pytest.raises(StoreError, match="muting needs a reason"):
        store.mute_finding(key, clock.now + HOUR, " ")
    muted = store.mute_finding(key, clock.now + HOUR, "new switch comes on Friday")
    assert (muted.muted(clock.now), muted.muted(clock.now + HOUR)) == (True, False)
    seen = store.acknowledge_finding(key, clock.now, "seen")
    assert (seen.acknowledged_at, seen.reason) == (clock.now, "seen")
    assert not save(store, clock)
    assert store.open_findings()[0].muted_until == clock.now + HOUR
    with pytest.raises(StoreError, match="is not open"):
        store.mute_finding("x", clock.now, "y")
    with pytest.raises(StoreError, match="is not open"):
        store.acknowledge_finding("x", clock.now, "y")


def test_evidence_that_is_no_json_is_refused(store: Store, clock: Clock) -> None:
    """A value that JSON can't say leaves no finding behind."""
    for bad in (float("nan"), object(), {1, 2}):
        with pytest.raises(StoreError, match="must be JSON values"):
            save(store, clock, value=bad)
    assert store.open_findings() == []


def test_a_letter_is_put_once_and_tried_until_sent_or_given_up(store: Store, clock: Clock) -> None:
    """The same key and channel is one letter; a failed one is due again when told, a sent one never."""
    assert store.put_letter(key="k", channel="mail", body="b", at=clock.now)
    assert not store.put_letter(key="k", channel="mail", body="b", at=clock.now)
    assert store.put_letter(key="k", channel="hook", body="b", at=clock.now)
    (mail,), (hook,) = store.queued_letters("mail"), store.queued_letters("hook")
    assert mail.due_at == hook.due_at == clock.now
    store.letter_failed(mail.id, "no route" * 100, clock.now + HOUR, clock.now)
    store.letter_sent(hook.id, clock.now)
    assert store.queued_letters("hook") == []
    (again,) = store.queued_letters("mail")
    assert (again.key, again.channel, again.attempts, len(again.trouble)) == ("k", "mail", 1, 255)
    assert again.due_at == clock.now + HOUR
    store.letter_failed(again.id, "no route", None, clock.now)
    assert store.queued_letters("mail") == []
    assert store.letters_waiting() == []
    assert store.prune(clock.now + timedelta(days=60))["outbox"] == 2


def test_a_channel_that_never_works_fills_nothing(store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound a channel takes no more; the others do."""
    monkeypatch.setattr(outbox, "MAX_WAITING", 3)
    for number in range(3):
        store.put_letter(key=str(number), channel="mail", body="b", at=clock.now)
    with pytest.raises(StoreError, match="3 messages wait already"):
        store.put_letter(key="4", channel="mail", body="b", at=clock.now)
    assert store.put_letter(key="4", channel="hook", body="b", at=clock.now)


def test_what_waits_is_counted_by_channel(store: Store, clock: Clock) -> None:
    """Number, oldest and the first one's trouble of each channel; what was sent or given up waits no more."""
    begun = clock.now
    for lane, key in (("mail", "a"), ("mail", "b"), ("hook", "c"), ("mail/digest", "d"), ("old", "e")):
        store.put_letter(key=key, channel=lane, body="x", at=clock.now)
        clock.forward(minutes=1)
    first, second, *_, last = (one.id for lane in ("mail", "hook", "old") for one in store.queued_letters(lane))
    store.letter_sent(first, clock.now)
    store.letter_failed(second, "broken", clock.now + timedelta(hours=1), clock.now)
    store.letter_failed(last, "gone", None, clock.now)
    assert store.letters_waiting() == [
        Waiting("hook", 1, begun + timedelta(minutes=2), ""),
        Waiting("mail", 1, begun + timedelta(minutes=1), "broken"),
        Waiting("mail/digest", 1, begun + timedelta(minutes=3), ""),
    ]


def test_documents_are_kept_as_they_were_given(store: Store, clock: Clock) -> None:
    """A baseline under a known name replaces it, and each is found by its name; a plan's text is kept once, under its own SHA-256."""
    for text in ("one", "two"):
        store.save_baseline("before", text, clock.now)
    assert [(one.key, one.document) for one in store.baselines()] == [("before", "two")]
    later = clock.now + timedelta(hours=1)
    store.save_baseline("after", "three", later)
    assert store.baseline_names() == [("before", clock.now), ("after", later)]
    assert store.baseline("after") == Document("after", later, "three")
    assert store.baseline("never") is None
    text = '[site]\nname = "Höhe"\n'
    digest = store.save_plan(text, clock.now)
    first = clock.now
    assert store.save_plan(text, clock.forward(days=1)) == digest == sha256(text.encode()).hexdigest()
    assert [(one.key, one.at, one.document) for one in store.plans()] == [(digest, first, text)]
    assert store.certificates() == []
