"""Devices as they were known: an access point is one thing, however many radios it has."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.moving.known import known_in
from netaudit.observe.observation import How, Sighting
from netaudit.site.load import parse_site

T0 = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
POINT, LOW, HIGH = "02:00:5e:00:00:a1", "02:00:5e:00:00:a2", "02:00:5e:00:00:a3"
PLAN = f"""\
[site]
name = "Osier Cottage"
[room.hall]
[segment.home]
network = "192.0.2.0/24"
[access_point.hall]
segment = "home"
at = "hall"
bssids = ["{LOW}", "{HIGH}"]
"""


def beacon(minutes: int, bssid: str) -> Sighting:
    """A radio was heard on the air: on no segment, at no address."""
    return Sighting(T0 + timedelta(minutes=minutes), "", bssid, None, How.HEARD)


@pytest.mark.parametrize(("own", "known_by"), [(f'mac = "{POINT}"\n', POINT), ('address = "192.0.2.11"\n', LOW)])
def test_the_radios_of_an_access_point_are_no_devices_beside_it(own: str, known_by: str) -> None:
    """Heard by cable and by both radios it is there once, with its address and segment, from first to last heard."""
    seen = [beacon(0, HIGH), beacon(9, LOW)]
    wired = known_by == POINT
    if wired:
        seen.append(Sighting(T0 + timedelta(minutes=5), "home", POINT, "192.0.2.11", How.ARP))
    (found,) = known_in(freeze(seen, T0, T0 + timedelta(minutes=10)), parse_site(PLAN + own))
    assert (found.mac, found.ref, found.room) == (known_by, "access_point:hall", "hall")
    assert (found.segment, found.addresses) == (("home", ("192.0.2.11",)) if wired else ("", ()))
    assert (found.first_at, found.last_at) == (T0, T0 + timedelta(minutes=9))


def test_a_switch_is_where_it_has_an_address() -> None:
    """It says its name (LLDP) on a port of another network last, and without an address nowhere: it hasn't moved there."""
    plan = f'{PLAN}[segment.things]\nnetwork = "198.51.100.0/24"\n[switch.loft]\nmac = "{POINT}"\n'
    seen = [
        Sighting(T0, "home", POINT, "192.0.2.3", How.ARP),
        Sighting(T0 + timedelta(minutes=5), "things", POINT, None, How.HEARD),
    ]
    site = parse_site(plan)
    (found,) = known_in(freeze(seen, T0, T0 + timedelta(minutes=10)), site)
    assert (found.ref, found.segment) == ("switch:loft", "home")
    assert known_in(freeze(seen[1:], T0, T0 + timedelta(minutes=10)), site) == ()
