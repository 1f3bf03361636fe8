"""What a store kept, as evidence: the same judgement as of what was seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.certificate import certify
from netaudit.audit.acceptance.check import Outcome
from netaudit.audit.kept import evidence_from
from netaudit.observe.observation import Health, Notice, Sample, Sighting
from netaudit.store.store import Store
from tests.audit.acceptance.house import BEGAN, BOX, ENDED, GATE, HOME, STRANGER, as_planned, house, without

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
