"""Three sites as their boxes kept them: one sound, one with findings and a hostile name, one silent for days."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from netaudit.observe.observation import Health, How, Naming, Sample, Sighting
from netaudit.store.store import Store
from tests.publish.samples import CERTIFICATE, EVIL

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
SOUND, HOSTILE, SILENT = "Mill", "<script>alert(9)</script> & Sons", "Old barn"
LAST_HEARD = {SOUND: NOW - timedelta(minutes=20), HOSTILE: NOW - timedelta(minutes=40), SILENT: NOW - timedelta(days=5)}
DEVICES = {SOUND: 3, HOSTILE: 2, SILENT: 1}


def plan_of(name: str) -> str:
    """Give a plan in which a network is also called something hostile."""
    return (
        f'[site]\nname = "{name}"\ntime_zone = "Europe/Vienna"\n'
        '[segment.lan]\nlabel = "<b>bold</b>"\nnetwork = "192.0.2.0/24"\n'
        '[closet.attic]\n[switch.attic]\ncloset = "attic"\n[room.hall]\n[drop.hall]\nstarts = "attic"\nends = "hall"\n'
        '[device.hub]\nkind = "desktop"\nmac = ["02:00:5e:00:00:01"]\nsegment = "lan"\nat = "hall"\ndrop = "hall"\n'
    )


def fill(path: Path, name: str, *, plan: str | None = None) -> None:
    """Keep two hours up to when the box of this site was heard last."""
    until = LAST_HEARD[name]
    with Store.open(path, site=name, clock=lambda: until) as store:
        if plan != "":
            store.save_plan(plan or plan_of(name), until - timedelta(hours=2))
        for minute in range(120, -1, -10):
            at = until - timedelta(minutes=minute)
            for number in range(1, DEVICES[name] + 1):
                mac = f"02:00:5e:00:00:{number:02x}"
                store.write((Sighting(at, "lan", mac, f"192.0.2.{number}", How.ARP), Naming(at, mac, EVIL, How.MDNS)))
                store.write((Sample(at, f"device:{mac}", "rtt_s", 0.002),))
            store.write((Health(at, "sweep:lan", good=True, reason=""),))
        store.flush(until)
        if name == HOSTILE:
            for key, rule in (("a", "address_twice"), ("b", "outgrown"), ("c", "outgrown")):
                evidence = {"cure": EVIL}
                store.save_finding(key=key, rule=rule, place="segment:lan", text=EVIL, evidence=evidence, at=until)
            store.acknowledge_finding("c", until, "known")
        store.save_certificate(CERTIFICATE, until)


def folder_of_three(folder: Path) -> Path:
    """Lay a file of each site into a folder."""
    for name, file in ((SOUND, "mill"), (HOSTILE, "sons"), (SILENT, "barn")):
        fill(folder / f"{file}.db", name)
    return folder
