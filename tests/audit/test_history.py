from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.forecast import FEWEST_DAYS
from netaudit.audit.history import outlook, peaks, samples_of, series_of
from netaudit.audit.judge import judge
from netaudit.audit.keep import keep
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Kind
from netaudit.observe.observation import Sample
from netaudit.store.store import Store
from tests.audit.scene import NOW, Scene, small_site

if TYPE_CHECKING:
    from pathlib import Path

MIDNIGHT = NOW.replace(hour=0)


def test_a_judgement_hands_back_what_only_it_knows_four_times_an_hour(tmp_path: Path) -> None:
    """Stations, devices and addresses come as samples, at most every quarter of an hour, and the store keeps them."""
    scene, memory, given = Scene().everybody(), None, []
    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW) as store:
        for minute in range(31):
            now = NOW + timedelta(minutes=minute)
            judgement = judge(scene.site, gather(scene.site), scene.seen(), (), now, memory=memory)
            memory = judgement.memory
            keep(store, judgement, now)
            given.append(bool(judgement.samples))
        store.flush(now)
        kept = store.series("segment:home", "use_device_count", NOW, NOW + timedelta(hours=1))
    assert [index for index, one in enumerate(given) if one] == [0, 15, 30]
    # All whom the plan has there are here, and the gateway, which neither counts.
    lines = {(one.kind, one.place): one.planned for one in gather(scene.site).lines}
    assert lines[Kind.DEVICE_COUNT, "segment:home"] == 7.0
    assert [(one.at - NOW, one.value) for one in kept] == [(timedelta(minutes=15 * index), 7.0) for index in range(3)]


def test_only_lines_without_a_collector_are_handed_back() -> None:
    """What a collector measures is not written twice."""
    scene = Scene().everybody().tell("radio:hall/2.4", "busy_share", [0.3])
    judgement = judge(scene.site, gather(scene.site), scene.seen(), (), NOW)
    assert {one.kind for one in samples_of(judgement.standings, NOW)} == {
        "use_stations",
        "use_device_count",
        "use_addresses",
    }


def test_the_past_of_a_line_is_the_peak_of_each_day(tmp_path: Path) -> None:
    """Six weeks of growing use, rolled up by the store, give six weeks of peaks and a day on which the ceiling is reached."""
    site = small_site()
    (line,) = [one for one in gather(site).lines if (one.kind, one.place) == (Kind.STATIONS, "radio:hall/2.4")]
    assert series_of(line) == "use_stations"
    days = 42
    with Store.open(tmp_path / "x.db", site="x", clock=lambda: NOW) as store:
        for day in range(days):
            begins = MIDNIGHT - timedelta(days=days - day)
            for hour in (3, 12, 20):
                at = begins + timedelta(hours=hour)
                store.write([Sample(at, line.place, "use_stations", 4.0 + 0.2 * day - (hour != 20))])
            store.flush(begins + timedelta(hours=23))
            store.rollup(begins + timedelta(days=1, hours=2))
        past = peaks(store, line, NOW)
        judgement = judge(site, gather(site), Scene().everybody().seen(), (), NOW)
        ahead = outlook(store, judgement.standings, NOW)
    assert len(past) >= FEWEST_DAYS
    assert [round(value, 2) for _, value in past[-3:]] == [11.8, 12.0, 12.2]
    # 16 of 20 are planned at most: from 12.2 on the last day at 0.2 a day it takes 19 days.
    found = ahead[Kind.STATIONS, "radio:hall/2.4"]
    assert found.earliest is not None
    assert (found.earliest - past[-1][0]).days == 19
    assert found.words == "reaches its ceiling in 2 to 3 weeks"
