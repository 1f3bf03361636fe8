from __future__ import annotations

import shutil
import subprocess
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from netaudit import __version__
from netaudit.audit.standing import Observed, Standing
from netaudit.capacity.line import State
from netaudit.publish import metrics
from netaudit.publish.metrics import LedgerCollector
from netaudit.publish.views import PageState, headroom
from tests.publish.samples import NOW, line

if TYPE_CHECKING:
    from netaudit.site.model import Site


def scrape(state: PageState) -> str:
    """Give the text that a scraper gets."""
    registry = CollectorRegistry()
    registry.register(LedgerCollector(lambda: state))
    return generate_latest(registry).decode()


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Read a scrape with the client library's own parser; a series that comes twice fails here."""
    found: dict[tuple[str, tuple[tuple[str, str], ...]], float] = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            key = (sample.name, tuple(sorted(sample.labels.items())))
            assert key not in found, key
            found[key] = sample.value
    return found


def test_the_lint_of_prometheus_is_content(page_state: PageState, demo_site: Site) -> None:
    """`promtool check metrics` has nothing to say of a full scrape or of an empty one."""
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("promtool is not installed (Debian package prometheus)")
    for state in (page_state, PageState(demo_site, None, ())):
        checked = subprocess.run(
            [promtool, "check", "metrics"], input=scrape(state), capture_output=True, text=True, check=False, timeout=60
        )
        assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")


def test_a_scrape_gives_the_ledger_back(page_state: PageState) -> None:
    """Each line's supply, plan, growth, headroom and state come out as they went in."""
    found = samples(scrape(page_state))
    for standing in page_state.standings:
        one = standing.line
        labels = (("kind", one.kind.value), ("place", one.place), ("unit", one.unit))
        assert found["netaudit_line_supply", labels] == one.supply
        assert found["netaudit_line_planned", labels] == one.planned
        assert found["netaudit_line_grown", labels] == one.grown
        assert found["netaudit_line_headroom", labels] == headroom(standing)
        assert (standing.observed is None) == (("netaudit_line_observed", labels) not in found)
        held = {
            state: found[
                "netaudit_line_state", (("kind", one.kind.value), ("netaudit_line_state", state), ("place", one.place))
            ]
            for state in State
        }
        assert held == {state: float(state is standing.state) for state in State}


def test_counts_are_those_of_the_state(page_state: PageState) -> None:
    """Open and quiet findings apart, closed ones not; devices, sources and jobs by name."""
    found = samples(scrape(page_state))
    expected = {
        ("netaudit_findings", (("rule", "outgrown"), ("state", "open"))): 1,
        ("netaudit_findings", (("rule", "missing"), ("state", "quiet"))): 1,
        ("netaudit_hazards", ()): 1,
        ("netaudit_flaws", ()): 1,
        ("netaudit_devices_planned", (("segment", "plant"),)): 2,
        ("netaudit_devices_present", (("segment", "family"),)): 20,
        ("netaudit_source_good", (("source", "snmp switch:bench"),)): 0,
        ("netaudit_source_last_good_timestamp_seconds", (("source", "sweep"),)): NOW.timestamp(),
        ("netaudit_job_missed_total", (("job", "sweep"),)): 2,
        ("netaudit_job_failed_total", (("job", "report"),)): 1,
        ("netaudit_clock_jumps_total", ()): 3,
    }
    assert {key: found.get(key) for key in expected} == expected
    assert ("netaudit_findings", (("rule", "missing"), ("state", "open"))) not in found
    assert ("netaudit_devices_present", (("segment", "plant"),)) not in found


def test_the_number_of_series_is_bounded(demo_site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the most, lines are left out and counted, and those that stand worst stay."""
    monkeypatch.setattr(metrics, "MOST_LINES", 3)
    lines = [Standing(line(planned=1, place=f"switch:s{n}"), None) for n in range(5)]
    lines.append(Standing(line(planned=11, place="switch:full"), None))
    found = samples(scrape(PageState(demo_site, None, tuple(lines))))
    kept = {dict(labels)["place"] for name, labels in found if name == "netaudit_line_supply"}
    assert len(kept) == 3
    assert "switch:full" in kept
    assert found["netaudit_lines_left_out", ()] == 3


def test_a_line_is_nine_series_at_most(page_state: PageState) -> None:
    """The manual's bound: five values and four states a line, each named by place, kind and unit of the plan alone."""
    found = [dict(labels) | {"name": name} for name, labels in samples(scrape(page_state)) if dict(labels).get("place")]
    a_line = Counter((one["place"], one["kind"]) for one in found)
    assert max(a_line.values()) == 9
    assert all(one["name"].startswith("netaudit_line_") for one in found)


def test_the_version_is_told(demo_site: Site) -> None:
    """An info metric of value 1 whose label is the version, as OpenMetrics asks for."""
    found = samples(scrape(PageState(demo_site, None, ())))
    assert found["netaudit_build_info", (("version", __version__),)] == 1


def test_two_lines_of_one_kind_in_one_place_don_t_void_the_scrape(demo_site: Site) -> None:
    """The worse of the two is shown; a series never comes twice."""
    twice = (Standing(line(planned=1), None), Standing(line(planned=11), None))
    found = samples(scrape(PageState(demo_site, None, twice)))
    assert [value for (name, _), value in found.items() if name == "netaudit_line_planned"] == [11]


def test_the_state_is_the_worse_of_plan_and_observation(demo_site: Site) -> None:
    """A line that was planned within and is observed over is over."""
    one = Standing(line(planned=1), Observed(11, None, NOW, "a test"))
    found = samples(scrape(PageState(demo_site, NOW, (one,))))
    held = [dict(labels)["netaudit_line_state"] for (name, labels), value in found.items() if value and "state" in name]
    assert held == ["over"]


def test_headroom_counts_the_larger_of_plan_and_observation() -> None:
    """Ten ports of which eight may be used: planned six, observed seven leaves one; observed five leaves two."""
    one = Standing(line(planned=6), Observed(7, None, NOW, "a test"))
    assert headroom(one) == pytest.approx(1)
    assert headroom(replace(one, observed=Observed(5, None, NOW, "a test"))) == pytest.approx(2)
    assert headroom(replace(one, observed=None)) == pytest.approx(2)
