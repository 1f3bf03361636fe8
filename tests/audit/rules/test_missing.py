from __future__ import annotations

from datetime import timedelta

from netaudit.audit.rules.missing import MISSING
from netaudit.audit.rules.rule import Mark
from netaudit.site.load import parse_site
from tests.audit.scene import BOX, CLOCK, DESK, KILN, NOW, PHONE, PLAN, POINT, SAW, Scene, stranger

SHED = (DESK, BOX, SAW, KILN)


def test_when_everybody_is_there_nobody_is_missing() -> None:
    """No verdict holds."""
    assert Scene().everybody().holds(MISSING) == {}


def test_who_is_silent_for_too_long_is_missing_by_name() -> None:
    """A server that was last heard eleven minutes ago is missing; a desktop may be silent for a day."""
    scene = Scene().everybody(BOX, DESK).here(BOX, ago_s=660).here(DESK, ago_s=660)
    assert scene.holds(MISSING) == {"device:box": "device"}
    (verdict,) = [one for one in scene.ask(MISSING) if one.mark is Mark.HOLDS]
    assert verdict.since == NOW - timedelta(seconds=660)


def test_who_was_never_heard_is_missing_once_we_have_looked_long_enough() -> None:
    """Never heard in twenty days of looking is missing; in five minutes of looking it can't be told."""
    assert Scene().everybody(CLOCK).holds(MISSING) == {"device:clock": "never"}
    young = Scene().here(DESK, since=NOW - timedelta(minutes=5))
    assert young.holds(MISSING) == {}
    assert Mark.BLIND in {one.mark for one in young.ask(MISSING) if one.place == "device:clock"}


def test_who_may_be_absent_is_never_missing() -> None:
    """A telephone that is out for a day is no finding."""
    assert Scene().everybody(PHONE).here(PHONE, ago_s=86_000).holds(MISSING) == {}


def test_where_nobody_looks_nobody_is_missing() -> None:
    """When the last sweep is half an hour old, silence is ours and not the devices'."""
    scene = Scene().everybody(ago_s=1800)
    scene.stays = [stay for stay in scene.stays if stay.mac not in SHED]
    assert scene.holds(MISSING) == {}


def test_a_dead_switch_is_one_finding() -> None:
    """With all four things behind the shed's switch silent, the switch is missing and the four are folded into it."""
    scene = Scene().everybody(*SHED)
    for mac in SHED:
        scene.here(mac, ago_s=700)
    assert scene.holds(MISSING) == {"switch:shed": "switch"}
    folded = {one.place for one in scene.ask(MISSING) if one.mark is Mark.FOLDED}
    assert folded == {"device:desk", "device:box", "device:saw", "device:kiln"}


def test_one_that_still_answers_clears_the_switch() -> None:
    """While one of the four answers, the other three are missing one by one (the desktop may sleep)."""
    scene = Scene().everybody(BOX, SAW, DESK)
    for mac in (BOX, SAW, DESK):
        scene.here(mac, ago_s=700)
    assert scene.holds(MISSING) == {"device:box": "device", "device:saw": "device"}


def test_while_the_switch_mends_its_things_are_its_business() -> None:
    """With the switch's finding open and the first thing back, the others open nothing of their own."""
    scene = Scene().everybody(BOX, SAW, DESK)
    for mac in (BOX, SAW, DESK):
        scene.here(mac, ago_s=700)
    verdicts = scene.ask(MISSING, is_open=[("missing", "switch:shed")])
    assert [one.place for one in verdicts if one.mark is Mark.HOLDS] == []
    assert "switch:shed" not in {one.place for one in verdicts}


def test_when_nothing_answers_it_is_the_whole_site() -> None:
    """All silent while the sweeps go on: one finding, about what is nearest to us."""
    scene = Scene().everybody(ago_s=700)
    for name in ("home", "things", "guests"):
        scene.source(f"sweep:{name}")
    # The desktop may sleep for a day and so is still counted as here; it is silent like all others.
    assert list(scene.holds(MISSING)) == ["site"]


def test_an_access_point_takes_what_hangs_on_it_along() -> None:
    """An access point silent together with a plug that only it serves is one finding at the access point."""
    more = '[device.lamp]\nkind = "plug"\nsegment = "home"\nmac = ["00:00:5e:00:53:0a"]\n'
    scene = Scene(site=parse_site(PLAN + more)).everybody(POINT).here(POINT, ago_s=700)
    scene.here("00:00:5e:00:53:0a", ago_s=700)
    assert scene.holds(MISSING) == {"access_point:hall": "access_point"}


def test_an_access_point_alone_is_missing_like_any_device() -> None:
    """With nothing known behind it, it is one silent thing."""
    assert Scene().everybody(POINT).here(POINT, ago_s=700).holds(MISSING) == {"access_point:hall": "device"}


def test_strangers_are_not_missed() -> None:
    """Plugs without a name in the plan can't be missed by name."""
    assert Scene().everybody(stranger(1), stranger(2)).holds(MISSING) == {}


SWITCH = "00:00:5e:00:53:c1"
KNOWN = parse_site(PLAN.replace("ports = 8\n", f'ports = 8\nmac = "{SWITCH}"\naddress = "192.0.2.9"\n', 1))


def test_a_switch_that_is_silent_itself_takes_what_hangs_on_it_along() -> None:
    """The shed's switch and one thing behind it are as silent as all behind it: one finding, at the switch."""
    scene = Scene(KNOWN).everybody(*SHED)
    for mac in (*SHED, SWITCH):
        scene.here(mac, ago_s=700)
    assert scene.holds(MISSING) == {"switch:shed": "switch"}


def test_a_switch_alone_is_missing_like_any_device() -> None:
    """What hangs on it answers through it; only its own address is silent. While it answers nothing is wrong."""
    assert Scene(KNOWN).everybody().here(SWITCH, ago_s=700).holds(MISSING) == {"switch:shed": "device"}
    assert Scene(KNOWN).everybody().here(SWITCH, address="192.0.2.9").holds(MISSING) == {}
