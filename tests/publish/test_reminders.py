from __future__ import annotations

from datetime import timedelta

import pytest

from netaudit.publish.reminders import BATTERY_S, FIRMWARE_S, PROOF_S, YEAR_S, reminders
from netaudit.store.findings import Finding
from netaudit.store.records import Heard
from tests.publish.samples import EVIL, NOW, plan


def heard(age_s: float, text: str = "1.2.3", place: str = "switch:barn") -> Heard:
    """Give a firmware text that was first heard so long ago."""
    return Heard(place, "firmware", (("text", text),), NOW - timedelta(seconds=age_s), NOW, 9)


def finding(muted_s: float) -> Finding:
    """Give a finding that is muted for so long from now."""
    until = NOW + timedelta(seconds=muted_s)
    return Finding("k", "r", "switch:barn", "t", {}, NOW, NOW, None, None, until, "a party")


def battery(years: float) -> str:
    """Give a plan with a battery of this age."""
    return f"""[closet.c]
[switch.barn]
[backup.ups]
feeds = ["switch:barn"]
energy = "100 Wh"
rating = "300 W"
age = "{years * YEAR_S:.0f} s"
fade_per_year = "10 %"
"""


@pytest.mark.parametrize(("years", "said"), [(BATTERY_S / YEAR_S - 0.1, 0), (BATTERY_S / YEAR_S + 0.01, 1), (10, 1)])
def test_an_old_battery_is_told(years: float, said: int) -> None:
    """From its age on, with what is left: 0.9 to the power of its years."""
    made = reminders(plan(battery(years)), (), (), None, NOW)
    assert len(made) == said
    if years == 10:
        assert f"about {0.9**10 * 100:.1f}\u00a0%" in made[0]


def test_old_firmware_is_told_once_a_place_and_harmless() -> None:
    """The latest text of a place counts, young ones are no reminder, and strangers' characters are gone."""
    site = plan("[switch.barn]\n")
    assert reminders(site, (heard(FIRMWARE_S - 60),), (), None, NOW) == ()
    assert reminders(site, (heard(60, "new"), heard(2 * FIRMWARE_S)), (), None, NOW) == ()
    made = reminders(site, (heard(FIRMWARE_S, EVIL), heard(2 * FIRMWARE_S)), (), None, NOW)
    assert len(made) == 1
    assert made[0].startswith("Switch barn has had the firmware text")
    assert "\u202e" not in made[0]


def test_an_old_proof_and_a_mute_are_told() -> None:
    """A certificate older than a year, and a mute that still holds with its reason; younger and over are not."""
    site = plan("[switch.barn]\n")
    old = NOW - timedelta(seconds=PROOF_S)
    assert reminders(site, (), (), old, NOW) == (
        "The latest certificate is more than a year old. Prove the network again.",
    )
    assert reminders(site, (), (finding(-1),), old + timedelta(days=1), NOW) == ()
    assert "a party" in reminders(site, (), (finding(60),), None, NOW)[0]
