from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.audit.judge import BROKEN, judge
from netaudit.audit.keep import keep
from netaudit.audit.rules.rule import Rule, Weight
from netaudit.audit.rules.table import RULES
from netaudit.capacity.ledger import Ledger, gather
from netaudit.store.store import Store
from tests.audit.scene import NOW, Scene, small_site, stranger

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from netaudit.audit.judge import Judgement
    from netaudit.audit.life import Memory
    from netaudit.audit.rules.rule import Case, Verdict
    from netaudit.store.findings import Finding


@cache
def ledger() -> Ledger:
    return gather(small_site())


def often(scene: Scene, times: int = 3) -> tuple[Judgement, list[Finding]]:
    """Judge the same scene so often; give the last judgement and what is open then."""
    memory: Memory | None = None
    standing: list[Finding] = []
    for index in range(times):
        now = NOW + timedelta(minutes=index)
        judgement = judge(scene.site, ledger(), scene.seen(), standing, now, memory=memory)
        memory = judgement.memory
        standing += judgement.opened
    return judgement, standing


def test_where_all_is_as_planned_nothing_is_found() -> None:
    """A site where everybody is there and nobody else, quick and quiet, has no finding and no concern."""
    scene = Scene().everybody()
    for number in range(12):
        scene.tell(f"device:{stranger(number)}", "rtt_s", [0.004] * 60)
    judgement, standing = often(scene)
    assert (judgement.concerns, standing) == ((), [])


def test_more_devices_than_the_access_points_were_bought_for() -> None:
    """Beyond the planned share of what a radio admits, the finding names the radio, the counts and what to do."""
    scene = Scene().everybody()
    for number in range(20, 32):
        scene.here(stranger(number), "things")
    _, standing = often(scene)
    finding = next(one for one in standing if one.rule == "outgrown")
    # 24 strangers on the only 2.4 GHz radio; it admits 20, of which the plan uses 80 %.
    assert (finding.key, finding.place) == ("outgrown radio:hall/2.4", "radio:hall/2.4")
    assert finding.text.startswith("More devices than the access points were bought for")
    assert "access point hall (2.4 GHz) (24 stations in use, 16 planned at most, 20 possible)" in finding.text
    assert "access point" in finding.evidence["cure"]


@given(st.integers(0, 30), st.sampled_from(["home", "things", "guests"]))
@settings(max_examples=25, deadline=None)
def test_adding_a_device_never_closes_an_outgrown_finding(more: int, joins: str) -> None:
    """With a finding open, one more device on any segment leaves it open, for as long as one likes to look."""
    scene = Scene().everybody()
    for number in range(20, 25 + more):
        scene.here(stranger(number), "things")
    judgement, standing = often(scene)
    assert any(one.key == "outgrown radio:hall/2.4" for one in standing)
    scene.here(stranger(900), joins)
    memory = judgement.memory
    for index in range(12):
        after = judge(scene.site, ledger(), scene.seen(), standing, NOW + timedelta(minutes=5 + index), memory=memory)
        memory = after.memory
        assert not [one for one in after.closed if one.rule == "outgrown"]


def _fail(case: Case) -> Iterator[Verdict]:
    raise ZeroDivisionError(f"no luck on {case.site.site.name}")


@pytest.mark.parametrize("broken", RULES, ids=lambda rule: rule.key)
def test_a_rule_that_breaks_is_a_finding_and_the_others_still_run(broken: Rule) -> None:
    """Whichever rule breaks, that is found, and so is a stranger unless its own rule is the broken one."""
    rules = tuple(replace(rule, judge=_fail) if rule is broken else rule for rule in RULES)
    scene = Scene().everybody().here(stranger(77), "home")
    standing: list[Finding] = []
    memory = None
    for index in range(3):
        now = NOW + timedelta(minutes=index)
        judgement = judge(scene.site, ledger(), scene.seen(), standing, now, memory=memory, rules=rules)
        memory = judgement.memory
        standing += judgement.opened
    found = {one.key for one in standing}
    assert f"{BROKEN} rule:{broken.key}" in found
    assert (f"unknown device:{stranger(77)}" in found) == (broken.key != "unknown")


def test_every_rule_says_what_it_asks_where_its_limit_is_from_and_has_words_with_a_cure() -> None:
    """Keys are unique; no rule is without a question, a source of its limit, words and cures."""
    assert len({rule.key for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.question.endswith("?")
        assert rule.limit_source
        assert all(words.text and words.cure for words in rule.words.values())
        assert rule.weight in Weight


def test_a_judgement_is_kept_once(tmp_path: Path) -> None:
    """Kept twice (the first time the disk was full, say), a judgement is in the store once; a closing closes it."""
    scene = Scene().everybody().here(stranger(77), "home")
    judgement, _ = often(scene, 1)
    opening = judge(scene.site, ledger(), scene.seen(), (), NOW, memory=judgement.memory)
    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW) as store:
        keep(store, opening, NOW)
        keep(store, opening, NOW)
        (finding,) = store.open_findings()
        assert finding.key == f"unknown device:{stranger(77)}"
        memory, standing = opening.memory, store.open_findings()
        for index in range(1, 6):
            at = NOW + timedelta(minutes=index)
            after = judge(scene.site, ledger(), Scene().everybody().seen(), standing, at, memory=memory)
            memory = after.memory
            keep(store, after, at)
        assert store.open_findings() == []
        (closed,) = store.closed_findings(NOW, NOW + timedelta(hours=1))
        assert closed.closed_at == NOW + timedelta(minutes=5)
