"""Forgetting: not a byte of a device is left in the store, and nothing else is gone."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import StoreError
from netaudit.observe.observation import Health, How, Naming, Notice, Sample, Sighting
from netaudit.store.forget import mac_of, spellings
from netaudit.store.store import Store

if TYPE_CHECKING:
    from pathlib import Path

    from tests.clock import Clock

GONE = "00:00:5e:00:53:0a"
STAYS = "00:00:5e:00:53:0b"
DAY = timedelta(days=1)


def live(store: Store, clock: Clock, minutes: int = 180) -> None:
    for minute in range(minutes):
        at = clock.forward(minutes=1)
        for mac, name, address, identifier in (
            (GONE, "annexe-tablet", "192.168.7.77", "ff00aa01"),
            (STAYS, "printer", "192.168.7.78", "ff00aa02"),
        ):
            store.write(
                [
                    Sighting(at, "lan", mac, address, How.ARP),
                    Naming(at, mac, name, How.MDNS),
                    Naming(at, mac, identifier, How.CLIENT_ID),
                    Sample(at, f"device:{mac}", "rtt_s", 0.001 * minute),
                    Notice(at, "segment:lan", "address_conflict", (("mac", mac.upper().replace(":", "-")),)),
                    Health(at, "echo", good=True, reason=""),
                ]
            )
        store.flush(at)
    store.rollup(clock.now)
    for mac in (GONE, STAYS):
        store.save_finding(
            key=f"lost device:{mac}", rule="lost", place="lan", text="t", evidence={"mac": mac}, at=clock.now
        )
        store.put_letter(key=f"lost {mac}", channel="mail", body=f"{mac} is gone", at=clock.now)
    everything = json.dumps(
        {"devices": {GONE: "annexe-tablet", STAYS: "printer"}, "ids": ["ff00aa01", "ff00aa02"], "not": "annexe-tablets"}
    )
    store.save_baseline("before", everything, clock.now)
    store.save_certificate(everything, clock.now)
    store.save_plan(everything.replace(GONE, GONE.replace(":", "").upper()), clock.now)


def test_nothing_of_a_forgotten_device_is_left(store: Store, clock: Clock) -> None:
    """No reader gives it any more, under any spelling; the other device has all that it had."""
    began = clock.now
    live(store, clock)
    stays_before = (
        store.presence(began, clock.now + DAY, STAYS),
        store.series(f"device:{STAYS}", "rtt_s", began, clock.now + DAY),
        store.hours(f"device:{STAYS}", "rtt_s", began - DAY, clock.now),
    )
    changed = store.forget(GONE.upper().replace(":", "-"))
    assert changed["samples"] == 180
    assert set(changed) == {
        *("devices", "addresses", "names", "present", "series", "samples", "hourly", "notices"),
        *("findings", "outbox", "baselines", "certificates", "plans"),
    }
    (left,) = store.devices(clock.now)
    assert left.mac == STAYS
    assert {(one.name, one.origin) for one in left.names} == {("printer", "mdns"), ("ff00aa02", "client_id")}
    assert [one.name for one in left.spoken_names] == ["printer"]
    assert store.presence(began, clock.now + DAY, GONE) == []
    assert store.places("rtt_s") == [f"device:{STAYS}"]
    assert [one.key for one in store.open_findings()] == [f"lost device:{STAYS}"]
    assert len(store.queued_letters("mail")) == 1
    assert len(store.notices(began, clock.now + DAY)) == 1
    for (one,) in (store.baselines(), store.certificates(), store.plans()):
        assert not [form for form in spellings(GONE) if form in one.document.lower()]
        assert json.loads(one.document)["devices"] == {"forgotten": "forgotten", STAYS: "printer"}
        assert json.loads(one.document)["ids"] == ["forgotten", "ff00aa02"]
        assert json.loads(one.document)["not"] == "annexe-tablets"
    assert stays_before == (
        store.presence(began, clock.now + DAY, STAYS),
        store.series(f"device:{STAYS}", "rtt_s", began, clock.now + DAY),
        store.hours(f"device:{STAYS}", "rtt_s", began - DAY, clock.now),
    )
    assert store.forget(GONE) == {}


def test_not_a_byte_is_left_in_the_files(tmp_path: Path, clock: Clock) -> None:
    """The MAC in any spelling, the name and the address are in no file of the store, log included."""
    path = tmp_path / "store.db"
    with Store.open(path, site="home", clock=clock) as store:
        live(store, clock, 20)
        store.forget(GONE)

        def found(words: list[str]) -> list[str]:
            held = b"".join(one.read_bytes() for one in tmp_path.glob("store.db*")).lower()
            return [word for word in words if word.encode() in held]

        assert found([STAYS, "printer", "192.168.7.78"]) == [STAYS, "printer", "192.168.7.78"]
        assert found([*spellings(GONE), "192.168.7.77", "ff00aa01", '"annexe-tablet"']) == []


def test_a_running_writer_takes_it_well(address: str, clock: Clock) -> None:
    """A device forgotten by another process is a new device when it is seen again; nothing belongs to nobody."""
    with Store.open(address, site="home", clock=clock) as daemon:
        live(daemon, clock, 30)
        with Store.open(address, site="home", clock=clock) as other:
            other.forget(GONE)
        seen_again = clock.forward(minutes=1)
        daemon.write(
            [Sighting(seen_again, "lan", GONE, None, How.ARP), Sighting(seen_again, "lan", STAYS, None, How.ARP)]
        )
        daemon.write([Sample(seen_again, f"device:{GONE}", "rtt_s", 0.5)])
        daemon.flush(seen_again)
        (again, other_one) = daemon.devices(clock.now)
        assert (again.mac, again.first_at, again.names, again.addresses) == (GONE, seen_again, (), ())
        assert other_one.names
        assert [one.since for one in daemon.presence(seen_again - DAY, seen_again + DAY, GONE)] == [seen_again]
        # the other's interval goes on over the forgetting
        (stay,) = daemon.presence(seen_again - DAY, seen_again + DAY, STAYS)
        assert stay.until - stay.since == timedelta(minutes=30)
        assert len(daemon.series(f"device:{GONE}", "rtt_s", seen_again - DAY, seen_again + DAY)) == 1


@pytest.mark.parametrize("written", ["00-00-5E-00-53-0A", "0000.5e00.530a", "00005e00530a", "00:00:5e:00:53:0A"])
def test_a_mac_is_read_in_every_spelling(written: str) -> None:
    """Each spelling of the trade names the same device."""
    assert mac_of(written) == GONE


@pytest.mark.parametrize("written", ["", "printer", "00:00:5e:00:53", "00:00:5e:00:53:0a:01", "gg:00:5e:00:53:0a"])
def test_what_is_no_mac_is_said(written: str) -> None:
    """A name or half a MAC removes nothing."""
    with pytest.raises(StoreError, match="is no MAC"):
        mac_of(written)
