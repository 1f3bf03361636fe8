from __future__ import annotations

from netaudit.audit.acceptance.check import prepare
from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.acceptance.restart import not_back, restarted_at
from netaudit.observe.observation import How, Observation, Sighting
from netaudit.site.load import parse_site
from tests.audit.acceptance.house import BEGAN, BOX, ENDED, PLAN, as_planned, at, house

# The restart of `as_planned` is asked for after 15 of 30 minutes; all are seen at 0, 10 and 29.
SEEN = [one for one in as_planned() if not (isinstance(one, Sighting) and one.mac == BOX)]


def gone(*minutes: float) -> list[str]:
    """Give who is not back when the box was seen at these minutes."""
    box: list[Observation] = [Sighting(at(one), "home", BOX, "192.0.2.100", How.ARP) for one in minutes]
    return [thing.ref for thing in not_back(prepare(house(), freeze([*SEEN, *box], BEGAN, ENDED)))]


def test_who_is_seen_in_the_latter_half_after_a_restart_is_back() -> None:
    """Of the 15 minutes after it those from 22.5 on count: sooner it may not have been switched off yet."""
    assert gone(0, 22.6) == []
    assert gone(0, 22.4) == ["device:box"]
    assert gone(0, 14, 16) == ["device:box"]


def test_who_was_not_there_before_owes_no_return() -> None:
    """Never seen, or first seen after the restart."""
    assert gone() == []
    assert gone(16) == []


def test_who_sleeps_or_comes_and_goes_owes_no_return() -> None:
    """Seen before and not after: a wired device is not back, a sleeper or one that may be absent is not asked for."""
    for kind, more, lost in (
        ("server", "", ["device:box"]),
        ("server", "may_be_absent = true\n", []),
        ("sensor", "", []),
    ):
        site = parse_site(PLAN.replace('[device.box]\nkind = "server"\n', f'[device.box]\nkind = "{kind}"\n{more}'))
        box = Sighting(at(0), "home", BOX, "192.0.2.100", How.ARP)
        assert [thing.ref for thing in not_back(prepare(site, freeze([*SEEN, box], BEGAN, ENDED)))] == lost


def test_without_a_restart_nobody_is_to_come_back() -> None:
    """Nothing was switched off."""
    trial = prepare(house(), freeze([], BEGAN, ENDED))
    assert restarted_at(trial) is None
    assert not_back(trial) == ()
