"""What a store kept, as evidence: the same judgement as of what was seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.certificate import certify
from netaudit.audit.acceptance.check import Outcome, prepare
from netaudit.audit.acceptance.last_word import last_wiring
from netaudit.audit.kept import evidence_from, late_by
from netaudit.audit.moving.cutover import progress
from netaudit.observe.observation import Health, Notice, Sample, Sighting
from netaudit.store.store import Store
from tests.audit.acceptance.house import BEGAN, BOX, ENDED, GATE, HOME, STRANGER, as_planned, house, without
from tests.audit.moving.old import before

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from netaudit.audit.acceptance.certificate import Certificate
    from netaudit.observe.observation import Observation


def _kept(path: Path, seen: Sequence[Observation]) -> Certificate:
    with Store.open(path, site="Osier House", clock=lambda: ENDED) as store:
        store.write(sorted(seen, key=lambda one: one.at))
        store.flush(ENDED)
        evidence = evidence_from(store, BEGAN, ENDED)
    return certify(house(), evidence, plan_sha256="p", evidence_sha256="e")


def test_what_was_kept_is_judged_as_what_was_seen(tmp_path: Path) -> None:
    """
    Built as planned nothing fails, and a missing camera fails alone.

    A presence is kept as an interval, without each of its sightings: whether all came back after a restart is not to be told.
    """
    certificate = _kept(tmp_path / "good.db", as_planned())
    assert not certificate.count(Outcome.FAILED)
    untested = {result.key for result in certificate.results if result.outcome is Outcome.NOT_TESTED}
    assert untested <= {"restart"}
    failed = [
        one.key
        for one in _kept(tmp_path / "bad.db", without(as_planned(), GATE)).results
        if one.outcome is Outcome.FAILED
    ]
    assert failed == ["presence"]


def test_only_the_span_is_taken(tmp_path: Path) -> None:
    """Of what was kept before, nothing is evidence but who is still there."""
    with Store.open(tmp_path / "site.db", site="Osier House", clock=lambda: ENDED) as store:
        store.write(sorted(as_planned(), key=lambda one: one.at))
        store.flush(ENDED)
        later = evidence_from(store, BEGAN.replace(minute=25), ENDED)
    said: list[Observation] = [*later.sightings, *later.samples, *later.notices, *later.health]
    at = [one.at for one in said]
    assert at
    assert min(one.at for one in later.samples) >= later.since
    assert max(at) <= later.until
    assert {type(one) for one in (*later.sightings, *later.samples)} == {Sighting, Sample}
    assert all(isinstance(one, Notice) for one in later.notices)
    assert all(isinstance(one, Health) for one in later.health)


def test_what_goes_on_since_before_the_span_is_evidence_though_the_store_writes_it_seldom(tmp_path: Path) -> None:
    """
    Read beside a running watch, three quarters of an hour after it began: fixed addresses and the only server are still there.

    And a clash that has gone on all the time fails: the certificate must not pass over what the store has not written again.
    """
    path, minute = tmp_path / "site.db", timedelta(minutes=1)
    now = BEGAN
    seen = [one for one in as_planned() if isinstance(one, Sighting | Notice)]
    first = {
        (type(one), one.segment, one.mac)
        if isinstance(one, Sighting)
        else (type(one), one.place, one.kind, one.detail): one
        for one in seen
    }
    clash = Notice(
        BEGAN, "segment:home", vocabulary.ADDRESS_CONFLICT, (("address", HOME[BOX]), ("macs", f"{BOX} {STRANGER}"))
    )
    with Store.open(path, site="Osier House", clock=lambda: now) as watch:
        for _ in range(46):
            watch.write([replace(one, at=now) for one in (*first.values(), clash)])
            watch.write([Health(now, f"sweep:{name}", good=True, reason="") for name in house().segment])
            watch.flush(now)
            now += minute
        with Store.open(path, site="Osier House", clock=lambda: now) as beside:
            assert max(one.last_at for one in beside.notices(BEGAN, now)) < now - 30 * minute, (
                "the store writes it often: no test"
            )
            evidence = evidence_from(beside, now - 30 * minute, now)
    judged = {one.key: one for one in certify(house(), evidence, plan_sha256="p", evidence_sha256="e").results}
    assert judged["fixed"].outcome is Outcome.PASSED
    assert judged["dhcp"].outcome is Outcome.PASSED
    assert judged["duplicates"].outcome is Outcome.FAILED


def test_a_clash_is_as_fresh_to_a_move_as_the_store_can_know(tmp_path: Path) -> None:
    """
    A clash goes on for an hour, written once: who reads beside the watch has it as the watch has, over any span of the past.

    When it ends the watch has it mended a quarter of an hour later. Beside it that can't be told yet, so it stands and says so;
    eighty minutes after its last known time it stands no more, whatever the span.
    """
    path, now = tmp_path / "site.db", BEGAN
    macs = f"{BOX} {STRANGER}"
    clash = Notice(now, "segment:home", vocabulary.ADDRESS_CONFLICT, (("address", HOME[BOX]), ("macs", macs)))
    spans = [timedelta(hours=4), timedelta(minutes=30), timedelta(minutes=10)]
    said = f"{HOME[BOX]} is claimed by {BOX} and {STRANGER}"

    def clashes(store: Store) -> set[tuple[str, ...]]:
        return {
            progress(before(), house(), evidence_from(store, now - span, now), late=late_by(store)).clashes
            for span in spans
        }

    with Store.open(path, site="Osier House", clock=lambda: now) as watch:
        for minutes in range(0, 60, 5):
            now = BEGAN + timedelta(minutes=minutes)
            watch.write([replace(clash, at=now)])
            watch.flush(now)
        with Store.open(path, site="Osier House", clock=lambda: now) as beside:
            assert beside.notices(BEGAN, now)[0].last_at == BEGAN, "the store writes it often: no test"
            assert clashes(watch) == {(said,)}
            known = f"{said} (as known 55 min ago; if it is mended, it stands here for 25 min more)"
            assert clashes(beside) == {(known,)}
            now = BEGAN + timedelta(minutes=55 + 16)
            assert clashes(watch) == {()}
            assert clashes(beside) == {(known.replace("55 min ago", "71 min ago").replace("25 min", "9 min"),)}
            now = BEGAN + timedelta(minutes=81)
            assert clashes(beside) == {()}


def test_where_a_device_was_learnt_last_is_its_last_word_before_the_span_too(tmp_path: Path) -> None:
    """Moved to its port half an hour before the span and told there once, beside the watch: the port of before says nothing more."""
    ports = ("switch:loft/port:15", "switch:loft/port:16")
    told = [
        Notice(BEGAN - timedelta(minutes=minutes), port, vocabulary.FORWARDING, (("mac", BOX),))
        for minutes, port in zip((40, 30), ports, strict=True)
    ]
    with Store.open(tmp_path / "site.db", site="Osier House", clock=lambda: ENDED) as watch:
        watch.write(told)
        watch.flush(ENDED)
        with Store.open(tmp_path / "site.db", site="Osier House", clock=lambda: ENDED) as beside:
            wiring = last_wiring(prepare(house(), evidence_from(beside, BEGAN, ENDED)))
    assert wiring.places("switch:loft", "device:box") == (frozenset({ports[1]}), False)
