from __future__ import annotations

from ipaddress import IPv4Address

import pytest

from netaudit.audit.rules.isolation import BREACH, UNREACHED
from netaudit.audit.rules.rule import Mark, Rule
from netaudit.observe.isolation import Reach, Target, compare
from netaudit.observe.observation import Notice, Sample
from netaudit.site.load import parse_site
from netaudit.store.records import Heard
from tests.audit.scene import BOX, NOW, PLAN, Scene

TRIED = parse_site(PLAN + '[isolation]\nhosts = ["device:desk", "access_point:hall"]\n')
GUESTS = "segment:guests"


def breach(scene: Scene, target: str, *, ago_s: float = 30.0) -> Scene:
    return scene.notice(GUESTS, "isolation_breach", ago_s=ago_s, target=target, segment="home", by="echo tcp/443")


def unreached(scene: Scene, *, ago_s: float) -> Scene:
    return scene.notice(GUESTS, "reach_missing", ago_s=ago_s, target="device:box", segment="home", answer="silent")


def test_a_segment_that_reaches_what_it_must_not_is_found_with_the_hosts() -> None:
    """Two breaches in the latest round: one finding of the segment that names both, by what they were reached."""
    scene = Scene().tell(GUESTS, "isolation_breaches", [0.0, 2.0], every_s=1800)
    breach(breach(scene, "device:desk"), "access_point:hall")
    (verdict,) = scene.ask(BREACH)
    assert (verdict.place, verdict.mark) == (GUESTS, Mark.HOLDS)
    assert dict(verdict.evidence)["hosts"] == "device desk (echo tcp/443), access point hall (echo tcp/443)"


def test_a_round_without_a_breach_ends_it_though_the_words_are_still_remembered() -> None:
    """What was reached an hour ago and not in the latest round is shut."""
    scene = breach(Scene().tell(GUESTS, "isolation_breaches", [1.0, 0.0], every_s=1800), "device:desk", ago_s=1800)
    assert scene.ask(BREACH) == []


def test_a_way_that_was_shut_is_not_named_with_one_that_is_open() -> None:
    """One breach in the latest round: the host that was named last is it, and the one of an hour ago is not."""
    scene = Scene().tell(GUESTS, "isolation_breaches", [2.0, 1.0], every_s=1800)
    breach(breach(scene, "access_point:hall", ago_s=1800), "device:desk", ago_s=0)
    (verdict,) = scene.ask(BREACH)
    assert dict(verdict.evidence)["hosts"] == "device desk (echo tcp/443)"


@pytest.mark.parametrize(("rule", "key"), [(BREACH, "isolation_breach"), (UNREACHED, "unreached")])
def test_between_rounds_that_are_far_apart_nothing_changes(rule: Rule, key: str) -> None:
    """Without a round in the last hour an open finding stays as it is, and nothing opens; out of the plan it ends."""
    scene = breach(unreached(Scene(site=TRIED), ago_s=7000), "device:desk", ago_s=7000)
    assert scene.ask(rule) == []
    assert [one.mark for one in scene.ask(rule, is_open=[(key, GUESTS)])] == [Mark.BLIND]
    assert Scene().ask(rule, is_open=[(key, GUESTS)]) == []


def test_a_host_that_may_be_reached_and_is_not_is_found() -> None:
    """Said in the latest round it holds; said in one that is over for longer than the store may lag it is over."""
    now = Scene().everybody().tell(GUESTS, "isolation_breaches", [0.0])
    assert unreached(now, ago_s=0).holds(UNREACHED) == {GUESTS: "unreached"}
    lagging = Scene().everybody().tell(GUESTS, "isolation_breaches", [0.0])
    assert [one.mark for one in unreached(lagging, ago_s=3600).ask(UNREACHED)] == [Mark.BLIND]
    over = Scene().everybody().tell(GUESTS, "isolation_breaches", [0.0])
    assert unreached(over, ago_s=4200).ask(UNREACHED) == []


def test_a_host_that_nobody_hears_is_missing_and_not_shut_off() -> None:
    """While the box is silent to its own segment too, that others don't reach it says nothing."""
    scene = Scene().everybody(BOX).tell(GUESTS, "isolation_breaches", [0.0])
    assert [one.mark for one in unreached(scene, ago_s=0).ask(UNREACHED)] == [Mark.BLIND]


def test_what_the_collector_says_is_what_the_rules_read() -> None:
    """The comparing of a round, given to the rules as it is: the host that was reached, and the one that was not."""
    desk = Reach(Target("device:desk", "home", IPv4Address("192.0.2.21")), ("echo",), ())
    box = Reach(Target("device:box", "things", IPv4Address("198.51.100.9")), (), ())
    scene = Scene().everybody()
    for one in compare("guests", [desk, box], ["things"], NOW):
        if isinstance(one, Sample):
            scene.tell(one.place, one.kind, [one.value])
        elif isinstance(one, Notice):
            scene.notices.append(Heard(one.place, one.kind, one.detail, one.at, one.at, 1))
    assert scene.holds(BREACH) == {GUESTS: "breach"}
    assert scene.holds(UNREACHED) == {GUESTS: "unreached"}
