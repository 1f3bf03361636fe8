from __future__ import annotations

import pytest

from netaudit.audit.rules.looking import FLOOD, KEPT_LATE_S, SOURCE
from netaudit.site.load import parse_site
from netaudit.store.batch import SAVE_EVERY_S
from netaudit.store.write import COMMIT_EVERY
from tests.audit.scene import PLAN, Scene


@pytest.mark.parametrize(
    ("name", "good", "since_s", "ago_s", "words"),
    [
        ("sweep:home", True, 1e6, 200.0, None),
        ("sweep:home", True, 1e6, 1000.0, "stopped"),
        ("sweep:home", False, 100.0, 10.0, None),
        ("sweep:home", False, 400.0, 10.0, "fails"),
        ("firmware:loft", True, 1e6, 40_000.0, None),
        ("firmware:loft", False, 1e6, 40_000.0, "fails"),
        ("store", False, 400.0, 0.0, "unkept"),
    ],
)
def test_a_source_must_go_on_and_succeed(
    name: str, *, good: bool, since_s: float, ago_s: float, words: str | None
) -> None:
    """Three sweeps without a word, or failing for one, is a finding; a slow source has its own pace."""
    scene = Scene().source(name, good=good, reason="" if good else "cable out", since_s=since_s, ago_s=ago_s)
    assert scene.holds(SOURCE) == ({f"source:{name}": words} if words else {})


def test_what_the_store_has_not_written_yet_is_no_silence() -> None:
    """With quick sweeps, too, a source counts as stopped only when the store had the time to know of its last round."""
    quick = parse_site(PLAN + '[looking]\nsweep_every = "15 s"\n')
    late_s = SAVE_EVERY_S + COMMIT_EVERY.total_seconds()
    assert late_s < KEPT_LATE_S
    assert Scene(site=quick).source("echo:home", ago_s=late_s).holds(SOURCE) == {}
    assert Scene(site=quick).source("echo:home", ago_s=KEPT_LATE_S + 1).holds(SOURCE) == {"source:echo:home": "stopped"}


def test_a_flood_is_found_while_it_lasts() -> None:
    """The listener's word holds for a quarter of an hour."""
    assert Scene().notice("segment:home", "flood", table="devices").holds(FLOOD) == {"segment:home": "flood"}
    assert Scene().notice("segment:home", "flood", ago_s=1000, table="devices").holds(FLOOD) == {}
