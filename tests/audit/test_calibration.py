from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.airtime_hours import hours_of, shares_of
from netaudit.audit.calibration import FEWEST_HOURS, OTHERS, Hour, calibrate
from netaudit.audit.seen import tolerance_of
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Kind
from netaudit.observe.observation import How, Sample, Sighting
from netaudit.store.store import Store
from tests.audit.scene import NOW, PHONE, small_site, stranger

if TYPE_CHECKING:
    from pathlib import Path

FIRST = datetime(2026, 3, 2, tzinfo=UTC)


def hours(number: int, *, seed: int, factor: dict[str, float], others: float = 0.0) -> list[Hour]:
    """Make hours in which telephones are out by day, televisions on in the evening, plugs always there."""
    dice, made = random.Random(seed), []
    for index in range(number):
        at = FIRST + timedelta(hours=index)
        predicted = {
            "phone": 0.05 * (0.2 if 8 <= at.hour < 17 else 1.0) * dice.uniform(0.8, 1.2),
            "television": 0.12 * (1.0 if 18 <= at.hour < 23 else 0.05) * dice.uniform(0.8, 1.2),
            "plug": 0.03,
        }
        announced = 0.02 + others + sum(share * factor.get(name, 1.0) for name, share in predicted.items())
        made.append(Hour(at, announced + dice.gauss(0, 0.005), 0.02, predicted))
    return made


@pytest.mark.parametrize(("profile", "factor"), [("phone", 3.0), ("television", 2.0), ("television", 0.3)])
def test_the_profile_that_is_off_is_named_with_its_factor(profile: str, factor: float) -> None:
    """In 100 seeded weeks of which one profile's traffic is wrong, it is named each time, its factor within a tenth."""
    for seed in range(100):
        found = calibrate("radio:a/5", hours(168, seed=seed, factor={profile: factor}))
        assert found is not None
        assert found.explains == profile
        assert found.factor == pytest.approx(factor, rel=0.1)


def test_what_is_always_there_is_put_down_to_others() -> None:
    """A neighbour's constant load and a profile that is always there look alike; neither is blamed on those who come and go."""
    for seed in range(100):
        neighbour = calibrate("radio:a/5", hours(168, seed=seed, factor={}, others=0.1))
        plugs = calibrate("radio:a/5", hours(168, seed=seed, factor={"plug": 4.0}))
        assert neighbour is not None
        assert plugs is not None
        assert (neighbour.explains, plugs.explains) == (OTHERS, OTHERS)
        assert neighbour.bias == pytest.approx(0.1, abs=0.003)


def test_a_prediction_that_holds_is_told_so() -> None:
    """Where announced is predicted, give or take less than the announcement's own step, nothing is blamed."""
    made = [Hour(one.at, one.predicted + 0.001, one.fixed, one.by_profile) for one in hours(168, seed=1, factor={})]
    found = calibrate("radio:a/5", made)
    assert found is not None
    assert (found.explains, found.words) == (None, "the prediction holds")


def test_two_nights_are_needed() -> None:
    """An hour less than the stated minimum gives nothing."""
    assert calibrate("radio:a/5", hours(FEWEST_HOURS - 1, seed=1, factor={})) is None
    assert calibrate("radio:a/5", hours(FEWEST_HOURS, seed=1, factor={})) is not None


def test_the_parts_of_a_radio_are_its_whole() -> None:
    """What a radio costs without devices and what each profile adds make the ledger's figure, but for shared collisions."""
    site = small_site()
    for line in gather(site).lines:
        if line.kind is Kind.AIRTIME and line.place.startswith("radio:"):
            fixed, by_profile = shares_of(site)[line.place]
            assert fixed + sum(by_profile.values()) == pytest.approx(line.planned, rel=0.02)


def test_hours_come_from_the_store(tmp_path: Path) -> None:
    """The phone is there for two of four hours; each hour has the mean that was announced and the phone's part or none."""
    site = small_site()
    begins = NOW - timedelta(hours=5)
    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW, tolerance=tolerance_of(site)) as store:
        for minute in range(0, 240, 5):
            at = begins + timedelta(minutes=minute)
            store.write([Sample(at, "radio:hall/5", "busy_share", 0.2 if minute < 120 else 0.1)])
            store.write([Sighting(at, "things", stranger(1), "198.51.100.200", How.ARP)])
            if minute < 115:
                store.write([Sighting(at, "home", PHONE, "192.0.2.133", How.ARP)])
        store.flush(begins + timedelta(hours=4))
        store.rollup(NOW)
        found = hours_of(store, site, begins, NOW)
    (place,) = found
    made = found[place]
    assert place == "radio:hall/5"
    assert [round(one.announced, 3) for one in made] == [0.2, 0.2, 0.1, 0.1]
    phone = shares_of(site)["radio:hall/5"][1]["phone"]
    assert [one.by_profile["phone"] for one in made] == pytest.approx([phone, phone, 0.0, 0.0])
