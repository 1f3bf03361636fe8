"""The night of a move on the page: as the command reckons it, once in a few seconds, from the baseline that is chosen."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from prometheus_client import CollectorRegistry

from netaudit.audit.kept import evidence_from
from netaudit.audit.moving.baseline import write_baseline
from netaudit.audit.moving.cutover import Stage, progress
from netaudit.errors import CaptureError
from netaudit.observe.observation import How, Sighting
from netaudit.publish.kept import Kept
from netaudit.publish.night import HELD, HOLDS, SPAN, Nights
from netaudit.publish.page import MOVE_SHOWN, make_app
from netaudit.publish.views import PageState
from netaudit.store.store import Store
from tests.clock import Clock
from tests.publish.samples import HUB, LOST, NOW, Ask, before_move

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from starlette.types import ASGIApp

    from netaudit.site.model import Site


@pytest.fixture
def clock() -> Clock:
    return Clock(NOW)


@pytest.fixture
def store(demo_site: Site, tmp_path: Path, clock: Clock) -> Iterator[Store]:
    """Give a store in which the hub was seen a minute ago."""
    with Store.open(tmp_path / "site.db", site=demo_site.site.name, clock=clock) as opened:
        opened.write((Sighting(NOW - timedelta(minutes=1), "gadgets", HUB, "10.71.20.5", How.ARP),))
        opened.flush(NOW)
        yield opened


def keep(store: Store, site: Site, name: str, at: datetime = NOW) -> None:
    """Keep the baseline of a move."""
    store.save_baseline(name, write_baseline(before_move(site)), at)


def app_of(store: Store, site: Site, clock: Clock) -> ASGIApp:
    """Give the pages."""
    return make_app(lambda: PageState(site, clock(), ()), Kept(store, site, clock), CollectorRegistry(), now=clock)


def test_the_page_and_the_command_reckon_the_same(store: Store, demo_site: Site, clock: Clock) -> None:
    """Without the samples that nobody needs for it, the move stands as `netaudit cutover --store` has it with all of them."""
    keep(store, demo_site, "spring")
    night = Nights(store, demo_site, clock).look("spring")
    assert night is not None
    assert night.progress == progress(before_move(demo_site), demo_site, evidence_from(store, NOW - SPAN, NOW))
    assert [row.mac for row in night.progress.rows if row.stage is Stage.BACK] == [HUB]


def test_two_who_look_at_two_moves_cost_no_more_than_two(store: Store, demo_site: Site, clock: Clock) -> None:
    """However they take turns, each gets the very same; of more moves than are held each is still its own."""
    names = [f"move-{number}" for number in range(HELD + 2)]
    for name in names:
        keep(store, demo_site, name)
    nights = Nights(store, demo_site, clock)
    first = [nights.look(name) for name in names[:2]]
    for _ in range(3):
        for name, night in zip(names[:2], first, strict=True):
            assert nights.look(name) is night
    for name in names * 2:
        nights.look(name)
    assert len(nights._last) == len(nights._read) == HELD
    store.save_baseline(names[-1], write_baseline(replace(before_move(demo_site), ssids=("other",))), NOW + HOLDS)
    night = nights.look(names[-1])
    assert night is not None
    assert night.baseline.ssids == ("other",)


def test_it_is_reckoned_once_in_a_few_seconds(store: Store, demo_site: Site, clock: Clock) -> None:
    """Who looks again at once gets the very same; a moment later, or with a clock set back, what is newer."""
    keep(store, demo_site, "spring")
    nights = Nights(store, demo_site, clock)
    first = nights.look("spring")
    store.write((Sighting(NOW, "gadgets", LOST, "10.71.20.9", How.ARP),))
    store.flush(NOW)
    clock.now = NOW + HOLDS - timedelta(seconds=1)
    assert nights.look("spring") is first
    clock.now = NOW + HOLDS
    later = nights.look("spring")
    assert first is not None
    assert later is not None
    assert later.progress.count(Stage.BACK) == first.progress.count(Stage.BACK) + 1
    clock.now = NOW
    assert nights.look("spring") is not later


def test_a_baseline_that_is_kept_anew_is_read_anew(store: Store, demo_site: Site, clock: Clock) -> None:
    """Under the same name another one: the page goes by the latest; one that can't be read says so; none is None."""
    keep(store, demo_site, "spring")
    nights = Nights(store, demo_site, clock)
    first = nights.look("spring")
    keep(store, demo_site, "spring", NOW + timedelta(seconds=1))
    assert nights.look("spring") is not first
    store.save_baseline("broken", write_baseline(before_move(demo_site)).replace("old", "new"), NOW)
    with pytest.raises(CaptureError, match='baseline "broken": was changed'):
        nights.look("broken")
    assert nights.look("autumn") is None
    assert nights.plan("autumn") is None


async def test_the_latest_baseline_is_shown_and_another_can_be_chosen(
    store: Store, demo_site: Site, clock: Clock, ask: Ask
) -> None:
    """Without a word the one kept last; by its name any; the others are listed as links; an unknown one isn't there."""
    keep(store, demo_site, "spring", NOW - timedelta(days=2))
    keep(store, demo_site, "summer", NOW - timedelta(days=1))
    app = app_of(store, demo_site, clock)
    latest = (await ask(app, "/move")).text
    assert '<a href="/move?from=spring">' in latest
    assert '<a href="/move?from=summer">' not in latest
    assert '<a href="/move/plan?from=summer">' in latest
    chosen = (await ask(app, "/move?from=spring")).text
    assert '<a href="/move/plan?from=spring">' in chosen
    plan = (await ask(app, "/move/plan?from=spring")).text
    assert plan.count("<dt>Way back</dt>") > 5
    assert '<a href="/move?from=spring">' in plan
    assert (await ask(app, "/move?from=winter")).status == 404
    assert (await ask(app, "/move/plan?from=winter")).status == 404


async def test_what_is_missing_stands_by_room_with_what_it_needs(
    store: Store, demo_site: Site, clock: Clock, ask: Ask
) -> None:
    """The sentence, the bar with its figure, then the rooms; who is back is not among what remains."""
    keep(store, demo_site, "spring")
    text = (await ask(app_of(store, demo_site, clock), "/move")).text
    found = progress(before_move(demo_site), demo_site, evidence_from(store, NOW - SPAN, NOW))
    assert f"<h2>1 of {found.expected} is back, {found.expected - 1} to go</h2>" in text
    assert f'value="{1 / found.expected:.4f}"' in text
    remaining = text.partition("What remains, room by room</h2>")[2].partition("<details")[0]
    assert LOST in remaining
    assert HUB not in remaining
    gate = demo_site.device["camera-gate"]
    assert f"Room {gate.at}" in remaining
    assert "camera-gate" in remaining


async def test_before_there_is_a_baseline_the_page_says_how_to_make_one(
    store: Store, demo_site: Site, clock: Clock, ask: Ask
) -> None:
    """It is reached from the reports; among the pages it is named once a move is near, and not for years after it."""
    app = app_of(store, demo_site, clock)
    named = '<li><a href="/move"'
    empty = await ask(app, "/move")
    assert "netaudit baseline site.toml before-the-move --store site.db" in empty.text
    assert named not in empty.text
    assert '<a href="/move">' in (await ask(app, "/reports/")).text
    keep(store, demo_site, "spring")
    assert named in (await ask(app, "/")).text
    clock.now = NOW + MOVE_SHOWN
    assert named not in (await ask(app, "/")).text
    assert (await ask(app, "/move")).status == 200


async def test_a_baseline_that_can_not_be_read_is_said_on_the_page(
    store: Store, demo_site: Site, clock: Clock, ask: Ask
) -> None:
    """The page stays, with the reason and the other baselines."""
    keep(store, demo_site, "spring", NOW - timedelta(days=2))
    store.save_baseline("broken", "{}", NOW)
    got = await ask(app_of(store, demo_site, clock), "/move")
    assert got.status == 200
    assert "is no baseline of ours" in got.text
    assert '<a href="/move?from=spring">' in got.text
