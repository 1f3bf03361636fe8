"""What was there before a move to the house of the acceptance tests: an old router, and the devices on its one network."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from netaudit.audit.acceptance.evidence import Evidence, freeze
from netaudit.audit.moving.baseline import Baseline, freeze_baseline
from netaudit.observe.observation import How, Naming, Notice, Observation, Sample, Sighting
from tests.audit.acceptance.house import BOX, DESK, GATE, KILN, house

if TYPE_CHECKING:
    from collections.abc import Iterable

THEN = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
NIGHT = datetime(2026, 5, 4, 18, 0, tzinfo=UTC)
OLD_ROUTER = "00:00:5e:00:53:f0"
PLUG, TABLET, WATCH, TWIN = "02:00:5e:00:00:10", "02:00:5e:00:00:20", "06:00:5e:00:00:21", "0a:00:5e:00:00:22"


def seen_at(at: datetime, mac: str, address: str, name: str = "", segment: str = "old") -> list[Observation]:
    """A device was seen, and asked for its address under a name."""
    said: list[Observation] = [Sighting(at, segment, mac, address, How.ARP)]
    return said + ([Naming(at, mac, name, How.DHCP)] if name else [])


def evidence_of(at: datetime, seen: Iterable[Observation]) -> Evidence:
    """Freeze five minutes."""
    return freeze(seen, at, at + timedelta(minutes=5))


def before(*more: Observation) -> Baseline:
    """Give the baseline: five wired ones, a plug, a tablet that makes its MACs up, and the old router."""
    seen: list[Observation] = [
        *seen_at(THEN, OLD_ROUTER, "10.0.0.1"),
        *seen_at(THEN, DESK, "10.0.0.21", "desk"),
        *seen_at(THEN, BOX, "10.0.0.22", "box"),
        *seen_at(THEN, GATE, "198.51.100.21"),
        *seen_at(THEN, KILN, "10.0.0.24"),
        *seen_at(THEN, PLUG, "10.0.0.30", "plug-1"),
        *seen_at(THEN, TABLET, "10.0.0.40", "tablet"),
        Notice(THEN, "segment:old", "dhcp_server", (("mac", OLD_ROUTER), ("server", "10.0.0.1"))),
        *(Sample(THEN, f"device:{DESK}", "rtt_s", value) for value in (0.001, 0.002, None)),
        *more,
    ]
    return freeze_baseline("spring", house(), evidence_of(THEN, seen), source="looking", ssids=["osier", "osier"])
