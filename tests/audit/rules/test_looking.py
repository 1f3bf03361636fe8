from __future__ import annotations

import pytest

from netaudit.audit.rules.looking import FLOOD, SOURCE
from tests.audit.scene import Scene


@pytest.mark.parametrize(
    ("name", "good", "since_s", "ago_s", "words"),
    [
        ("sweep:home", True, 1e6, 200.0, None),
        ("sweep:home", True, 1e6, 1000.0, "stopped"),
        ("sweep:home", False, 100.0, 10.0, None),
        ("sweep:home", False, 400.0, 10.0, "fails"),
        ("firmware:loft", True, 1e6, 40_000.0, None),
        ("firmware:loft", False, 1e6, 40_000.0, "fails"),
    ],
)
def test_a_source_must_go_on_and_succeed(
    name: str, *, good: bool, since_s: float, ago_s: float, words: str | None
) -> None:
    """Three sweeps without a word, or failing for one, is a finding; a slow source has its own pace."""
    scene = Scene().source(name, good=good, reason="" if good else "cable out", since_s=since_s, ago_s=ago_s)
    assert scene.holds(SOURCE) == ({f"source:{name}": words} if words else {})


def test_a_flood_is_found_while_it_lasts() -> None:
    """The listener's word holds for a quarter of an hour."""
    assert Scene().notice("segment:home", "flood", table="devices").holds(FLOOD) == {"segment:home": "flood"}
    assert Scene().notice("segment:home", "flood", ago_s=1000, table="devices").holds(FLOOD) == {}
