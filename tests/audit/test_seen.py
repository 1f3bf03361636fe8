from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from netaudit.audit.seen import keep_of, see, tolerance_of
from netaudit.observe.observation import Health, How, Notice, Sample, Sighting
from netaudit.site.load import parse_site
from netaudit.store.retain import Keep
from netaudit.store.store import Store
from tests.audit.scene import BOX, DESK, LONG_AGO, NOW, PHONE, Scene, small_site, stranger

if TYPE_CHECKING:
    from pathlib import Path


def test_the_store_keeps_what_the_plan_keeps() -> None:
    """Without a word what the store keeps by itself; each line of `[keeping]` changes its own, in whole days."""
    header = '[site]\nname = "home"\n[segment.lan]\nnetwork = "192.168.7.0/24"\n'
    assert keep_of(parse_site(header)) == Keep()
    for one in fields(Keep):
        if one.name not in {"health", "findings", "outbox"}:
            changed = keep_of(parse_site(f'{header}[keeping]\n{one.name} = "60 h"\n'))
            assert changed == replace(Keep(), **{one.name: 2}), one.name


def test_the_router_is_none_of_a_network_s_devices() -> None:
    """It stands on each network; a page that says "10 planned, 11 seen" because of it sends people to look for a stranger."""
    seen = Scene().here(stranger(1), "home", "192.0.2.1").here(DESK, "home", "192.0.2.21").seen()
    assert {one.place for one in seen.on("home")} == {"segment:home/gateway", "device:desk"}
    assert [one.place for one in seen.counted_on("home")] == ["device:desk"]


def test_who_is_here_is_who_was_heard_within_its_silence() -> None:
    """A phone gone for an hour is away; a desktop silent for an hour may be asleep and is here; a sensor sleeps a day."""
    seen = Scene().everybody(DESK, PHONE).here(DESK, ago_s=3600).here(PHONE, ago_s=90_000).seen()
    macs = {one.mac for one in seen.present}
    assert DESK in macs
    assert PHONE not in macs


def test_as_many_strangers_may_sleep_as_the_plan_has_sleepers() -> None:
    """Of three that are silent for ten hours on a segment with two battery sensors, two are here."""
    scene = Scene()
    for number in range(9):
        scene.here(stranger(number), "things")
    for number in range(9, 12):
        scene.here(stranger(number), "things", ago_s=36_000)
    assert len(scene.seen().on("things")) == 11


def test_first_come_first_placed() -> None:
    """Twelve places for those without a name go to the first twelve; whoever comes thirteenth is not expected."""
    scene = Scene().everybody().here(stranger(77), "things", since=LONG_AGO + timedelta(days=19))
    assert [one.mac for one in scene.seen().on("things") if not one.expected] == [stranger(77)]


def test_guests_are_expected() -> None:
    """Whoever comes to a segment that has guests is expected, however many come."""
    scene = Scene()
    for number in range(40):
        scene.here(stranger(number), "guests", since=NOW - timedelta(hours=1))
    assert all(one.expected for one in scene.seen().present)


def test_after_a_break_looking_begins_anew() -> None:
    """
    When those who are here began five minutes ago, nobody can say who has been silent for ten. A telephone that may be silent
    for hours is no witness: its stay outlasts a break.
    """
    scene = Scene().here(BOX, since=NOW - timedelta(minutes=5)).here(PHONE).source("sweep:home")
    assert scene.seen().looked["home"].since == NOW - timedelta(minutes=5)


def test_the_store_gives_back_what_collectors_said(tmp_path: Path) -> None:
    """Sightings, samples, notices and health written to a store are seen there: who, how many, how fast, how well."""
    site = small_site()
    with Store.open(tmp_path / "x.db", site="Weir Cottage", clock=lambda: NOW, tolerance=tolerance_of(site)) as store:
        for minute in range(30, -1, -1):
            at = NOW - timedelta(minutes=minute)
            store.write(
                [Sighting(at, "home", DESK, "192.0.2.21", How.ARP), Health(at, "sweep:home", good=True, reason="")]
            )
            store.write([Sample(at, f"device:{DESK}", "rtt_s", None if minute == 3 else 0.001)])
        detail = (("mac", stranger(1)), ("server", "192.0.2.9"))
        store.write([Notice(NOW, "segment:home", "dhcp_server", detail)])
        store.flush(NOW)
        seen = see(store, site, NOW)
    (desk,) = seen.present
    assert (desk.place, desk.address, desk.since) == ("device:desk", "192.0.2.21", NOW - timedelta(minutes=30))
    assert seen.last_heard["device:desk"] == NOW
    assert seen.looked["home"].until == NOW
    series = seen.series[f"device:{DESK}", "rtt_s"]
    assert (series.asked, series.lost, series.p95) == (31, 1, 0.001)
    assert [dict(one.detail)["server"] for one in seen.told("dhcp_server")] == ["192.0.2.9"]
    assert [(one.source, one.good) for one in seen.sources] == [("sweep:home", True)]


def test_of_an_earlier_moment_nobody_is_seen_who_came_later(tmp_path: Path) -> None:
    """Asked for yesterday, who came today is not there, and who was there yesterday is, though he left and came again."""
    site, yesterday = small_site(), NOW - timedelta(days=1)
    with Store.open(tmp_path / "x.db", site="Weir Cottage", clock=lambda: NOW, tolerance=tolerance_of(site)) as store:
        for at, macs in ((yesterday, (DESK,)), (NOW, (DESK, BOX))):
            store.write([Sighting(at, "home", mac, None, How.ARP) for mac in macs])
            store.flush(NOW)
        then, today = see(store, site, yesterday + timedelta(seconds=30), earlier=True), see(store, site, NOW)
    assert {one.mac for one in today.present} == {DESK, BOX}
    assert {one.mac for one in then.present} == {DESK}


def test_a_clock_that_is_put_back_makes_nobody_missing(tmp_path: Path) -> None:
    """Who came while the clock was ahead, and was seen until now by the wrong clock, is here now by the right one."""
    site, wrong = small_site(), NOW + timedelta(minutes=70)
    with Store.open(tmp_path / "x.db", site="Weir Cottage", clock=lambda: wrong, tolerance=tolerance_of(site)) as store:
        for at in (NOW - timedelta(days=3), wrong):
            store.write([Sighting(at, "home", DESK, "192.0.2.21", How.ARP)])
            store.flush(at)
        seen = see(store, site, NOW)
    assert {one.mac for one in seen.present} == {DESK}


def test_where_the_sweep_fails_nobody_looks() -> None:
    """Somebody heard in passing is no look: while its sweep fails a segment counts as not looked at."""
    scene = Scene().everybody().source("sweep:home", good=False, reason="cable out").source("sweep:things")
    assert set(scene.seen().looked) == {"things", "guests"}
