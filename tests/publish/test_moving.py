"""Papers of a move: a list to tick, a plan with ways back, the state of the night."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from netaudit.audit.moving.cutover import Progress, Row, Stage, progress
from netaudit.audit.moving.migration import plan_move
from netaudit.publish.moving import render_cutover, render_inventory, render_migration, sentence
from tests.audit.acceptance.house import DESK, house
from tests.audit.moving.old import NIGHT, THEN, before, evidence_of, seen_at

BAD = "<b>x</b>\u202e"


def test_the_inventory_has_a_box_to_tick_for_each_device_and_unknown_rooms_last() -> None:
    """Two boxes a device, found and moved; the rooms of the plan first."""
    baseline = before()
    page = render_inventory(baseline, house())
    assert page.count('<span class="box">') == 2 * len(baseline.devices)
    assert page.index("room study") < page.index("Where these are isn&#39;t known")
    assert "10.0.0.1" in page.split("Who serves the others")[1]
    # Two of three echoes answered: one lost of three still allows 86.5 % (Clopper and Pearson, upper 95 %: scipy gives 0.8647).
    assert "86.5" in page.split("How long answers took")[1]


def test_the_plan_of_the_move_says_each_way_back() -> None:
    """As many ways back as steps; who needs a hand stands before who doesn't."""
    baseline = before()
    move = plan_move(baseline, house())
    page = render_migration(move, baseline, house())
    assert page.count("<dt>Way back</dt>") == len(move.steps)
    assert page.index("Somebody must go there") < page.index("Nobody need go there")


def test_the_night_says_what_is_missing_and_asks_anew_until_it_is_over() -> None:
    """While it goes on the page refreshes itself without a script; at its end it does not."""
    baseline = before()
    found = progress(baseline, house(), evidence_of(NIGHT, seen_at(NIGHT, DESK, "192.0.2.21", segment="home")))
    page = render_cutover(found, baseline, house(), NIGHT, again_s=5)
    assert '<meta http-equiv="refresh" content="5">' in page
    assert "<script" not in page
    assert sentence(found) in page
    missing = page.split("<h2>What remains")[1].split("<details")[0]
    assert "press its button for ten seconds" in missing
    assert "http-equiv" not in render_cutover(found, baseline, house(), NIGHT)


def test_hostile_names_are_harmless_on_all_papers() -> None:
    """A name that is HTML and turns the line arrives as text on each paper."""
    hostile = seen_at(THEN, "02:00:5e:00:00:66", "10.0.0.66", BAD)
    baseline = before(*hostile)
    found = progress(baseline, house(), evidence_of(NIGHT, ()))
    for page in (
        render_inventory(baseline, house()),
        render_migration(plan_move(baseline, house()), baseline, house()),
        render_cutover(found, baseline, house(), NIGHT),
    ):
        assert not re.search(r"<b>x|\u202e", page)
        assert "&lt;b&gt;x" in page


@pytest.mark.parametrize(
    ("back", "missing", "clashes", "said"),
    [
        (0, 0, 0, "Nothing has to come back"),
        (1, 0, 0, "The only one is back where it belongs"),
        (7, 0, 0, "All 7 are back where they belong"),
        (0, 2, 0, "0 of 2 are back, 2 to go"),
        (1, 1, 1, "1 of 2 is back, 1 to go, 1 address clashes"),
        (5, 0, 2, "5 of 5 are back, 2 addresses clash"),
    ],
)
def test_one_sentence_says_how_far_the_move_is(back: int, missing: int, clashes: int, said: str) -> None:
    """Who is back of whom, who is to come, what clashes: it is over only when nothing of that is left."""
    row = Row(Stage.BACK, "02:00:00:00:00:01", "x", "", "", "", "", "", "")
    rows = (row,) * back + (replace(row, stage=Stage.MISSING),) * missing
    assert sentence(Progress(rows, ("x",) * clashes)) == said
