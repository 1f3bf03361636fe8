"""The chapter on many sites does what it says, on a PostgreSQL with its row security in force; and its sums are right."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.docs.test_console import Step, pattern, run, steps_of
from tests.store.fleet_samples import SOUND, fill
from tests.store.roles import as_role, living

if TYPE_CHECKING:
    from collections.abc import Iterator

CHAPTER = (Path(__file__).resolve().parents[2] / "docs" / "fleet.md").read_text("utf-8")
WRITTEN = re.compile(r"postgresql://(\w+)@centre\.example/netaudit")
DEVICES, NETWORKS = 150, 4


@pytest.fixture
def owner(central: str) -> Iterator[str]:
    """Give an empty database with the chapter's roles, as its owner."""
    with living(central, "box_mill", "reader"):
        yield central


def test_the_chapter_does_what_it_says(owner: str, tmp_path: Path) -> None:
    """Followed literally, but for the centre's address, each command works and prints what is shown beneath it."""

    def there(found: re.Match[str]) -> str:
        return f"'{owner if found[1] == 'owner' else as_role(owner, found[1])}'"

    fill(tmp_path / "mill.db", SOUND)
    steps = steps_of(CHAPTER)
    assert len(steps) == 4
    for step in steps:
        said = run(Step(WRITTEN.sub(there, step.command), step.shown), tmp_path)
        assert pattern(step.shown).fullmatch(said), f"$ {step.command}\n{said}"


def test_the_sums_are_those_of_the_measured_figures() -> None:
    """Each row of the table follows from bytes a row and the default times of looking, to its last digit."""
    sample_b, hour_b, log_b = (int(one) for one in re.findall(r"\*\*(\d+) B\*\*", CHAPTER))
    (ship_ms,) = re.findall(r"\*\*(\d+) ms\*\*", CHAPTER)
    a_minute, series = DEVICES + NETWORKS * 6, DEVICES + NETWORKS
    day_b = a_minute * 1440 * sample_b
    sums = {
        "samples": a_minute / 60,
        "samples, a day": day_b,
        "raw, 8 days": day_b * 8,
        "raw, as parts of a month allow": day_b * (31 + 8),
        "hours, 13 months": series * 24 * 396 * hour_b,
        "days, each year": series * 365 * hour_b,
        "log, a day": (a_minute * 1440 + series * 24) * log_b,
        "shipping, of one connection": int(ship_ms) / 1e3 / 3600 * 100,
    }
    units = {"MB": 1e6, "GB": 1e9, "TB": 1e12, "/s": 1, "%": 1}
    rows = re.findall(r"^\| ([a-z][^|]*?) \| [^|]* \| ([^|]*) \| ([^|]*) \| ([^|]*) \|$", CHAPTER, re.MULTILINE)
    assert [name for name, *_ in rows] == list(sums)
    for name, *cells in rows:
        for sites, cell in zip((1, 500, 10_000), cells, strict=True):
            figure, unit = cell.split()
            decimals = len(figure.partition(".")[2])
            value = float(figure.replace(",", ""))
            assert value == pytest.approx(sums[name] * sites / units[unit], abs=0.501 * 10**-decimals), (name, sites)
