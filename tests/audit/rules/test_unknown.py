from __future__ import annotations

from netaudit.audit.rules.rule import Mark
from netaudit.audit.rules.unknown import UNKNOWN, is_made_up
from netaudit.site.load import parse_site
from tests.audit.scene import PLAN, Scene, stranger


def test_whoever_has_a_place_in_the_plan_is_known() -> None:
    """Named things, unnamed ones within their number, guests: no verdict."""
    assert Scene().everybody().here(stranger(300), "guests").ask(UNKNOWN) == []


def test_a_stranger_is_found_with_its_mac_and_address() -> None:
    """A device on a segment where all places have names is unknown."""
    (verdict,) = Scene().everybody().here("00:00:5e:00:53:ee", "home", "192.0.2.200").ask(UNKNOWN)
    assert (verdict.place, verdict.words) == ("device:00:00:5e:00:53:ee", "one")
    assert dict(verdict.evidence) == {
        "mac": "00:00:5e:00:53:ee",
        "address": "192.0.2.200",
        "segment": "home",
        "made_up": "no",
    }


def test_many_strangers_are_one_finding_until_it_closes() -> None:
    """Four at once are told together; while that is open, the last two of them are told in it too."""
    scene = Scene().everybody()
    for number in range(300, 304):
        scene.here(stranger(number), "home")
    assert scene.holds(UNKNOWN) == {"segment:home": "many"}
    fewer = Scene().everybody().here(stranger(300), "home").here(stranger(301), "home")
    assert set(fewer.holds(UNKNOWN).values()) == {"one"}
    later = fewer.ask(UNKNOWN, is_open=[("unknown", "segment:home")])
    assert [one.place for one in later if one.mark is Mark.HOLDS] == ["segment:home"]


def test_made_up_macs_are_told_from_bought_ones() -> None:
    """The second-least bit of the first octet decides (IEEE 802-2014, 8.2.2)."""
    assert is_made_up("02:00:00:00:00:00")
    assert is_made_up("da:a1:19:00:00:01")
    assert not is_made_up("00:00:5e:00:53:01")


def test_a_switch_and_a_router_that_the_plan_knows_by_mac_are_no_strangers() -> None:
    """Heard on a segment where all places have names, without an address; without their MACs in the plan both are unknown."""
    switch, router = "00:00:5e:00:53:c1", "00:00:5e:00:53:f1"
    plan = PLAN.replace("ports = 8\n", f'ports = 8\nmac = "{switch}"\n', 1) + f'[router]\nmac = ["{router}"]\n'
    told = Scene(parse_site(plan)).everybody().here(switch).here(router)
    assert told.ask(UNKNOWN) == []
    assert len(Scene().everybody().here(switch).here(router).ask(UNKNOWN)) == 2
