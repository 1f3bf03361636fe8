from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from netaudit.errors import OutOfRange
from netaudit.observe.observation import How, Naming, Sighting
from netaudit.publish import kept as subject
from netaudit.publish.kept import ORDERS, Kept, Order
from tests.publish.samples import GATEWAY, HUB, NOW, STRANGER

if TYPE_CHECKING:
    from pathlib import Path


def test_a_device_is_called_by_the_plan_then_by_itself(kept: Kept) -> None:
    """What the plan knows bears its name, a stranger the name that he gives himself made harmless, and none is no name."""
    rows = {row.mac: row for row in kept.devices().rows}
    assert (rows[GATEWAY].name, rows[GATEWAY].planned) == ("gateway of network family", True)
    assert rows[HUB].planned
    assert not rows[STRANGER].planned
    assert "\u202e" not in rows[STRANGER].name


def test_identifiers_and_services_are_no_names(kept: Kept) -> None:
    """A device that said only such words of itself has no name, in the list, on its page and in the weekly report."""
    nameless = "02:00:5e:00:00:01"
    said = (Naming(NOW, nameless, "ff00aabb", How.CLIENT_ID), Naming(NOW, nameless, "_ipp._tcp", How.SERVICE))
    kept._store.write((Sighting(NOW, "family", nameless, "192.0.2.10", How.ARP), *said))
    kept._store.flush(NOW)
    assert next(row.name for row in kept.devices().rows if row.mac == nameless) == ""
    past = kept.device(nameless)
    assert past is not None
    assert past.names == ()


@pytest.mark.parametrize("order", ORDERS)
def test_every_order_lists_every_device(kept: Kept, order: Order) -> None:
    """A sort loses nobody; sorted by time the latest is first."""
    rows = kept.devices("", order).rows
    assert {row.mac for row in rows} == {GATEWAY, HUB, STRANGER}
    if order == "last":
        seen = [row.last_at for row in rows if row.last_at is not None]
        assert seen == sorted(seen, reverse=True)


def test_addresses_are_sorted_as_numbers(kept: Kept) -> None:
    """192.0.2.9 comes before 192.0.2.10."""
    store = kept._store
    for mac, address in (("02:00:5e:00:00:01", "192.0.2.10"), ("02:00:5e:00:00:02", "192.0.2.9")):
        store.write((Sighting(NOW, "family", mac, address, How.ARP),))
    store.flush(NOW)
    found = [row.address for row in kept.devices("192.0.2.", "address").rows]
    assert found == ["192.0.2.7", "192.0.2.8", "192.0.2.9", "192.0.2.10"]


def test_a_long_list_is_cut_and_counted(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the most rows the others are counted."""
    monkeypatch.setattr(subject, "MOST_ROWS", 2)
    found = kept.devices()
    assert (len(found.rows), found.more, found.total) == (2, 1, 3)


def test_the_past_of_a_device_is_what_was_kept(kept: Kept) -> None:
    """Two days of sightings an hour apart, and of echoes of which one in 03:00's first was lost, come back as such."""
    past = kept.device(HUB)
    assert past is not None
    assert sum(point.asked for point in past.delay.hourly) == 48 * 6
    assert sum(point.lost for point in past.delay.hourly) == 2
    assert past.delay.lost_chart is not None
    # Median by nearest rank of 2.0, 2.1 ... 2.5 ms is the third value.
    assert past.delay.hourly[-1].p50_s == pytest.approx(0.0022)
    assert past.device.addresses[0].address == "192.0.2.7"
    assert past.stays[0].until >= past.stays[-1].until


def test_what_is_no_mac_is_no_device(kept: Kept) -> None:
    """Neither an unknown MAC nor any other text leads to a device."""
    assert [kept.device(one) for one in ("02:00:00:00:00:00", "", "x", HUB.upper())] == [None] * 4


def test_a_networks_past_is_its_own(kept: Kept) -> None:
    """Three devices were on family, none on gadgets; the gateway answered on family alone."""
    family, gadgets = kept.segment("family"), kept.segment("gadgets")
    assert family.presence is not None
    assert gadgets.presence is None
    assert gadgets.delay.chart is None
    within, lost = kept.answers()["family"]
    assert within == pytest.approx(0.0025)
    assert lost == pytest.approx(1 / (24 * 6), rel=0.05)


def test_a_reason_is_needed_and_bounded(kept: Kept) -> None:
    """No reason is refused; a long one is cut before it is kept."""
    with pytest.raises(OutOfRange, match="write why"):
        kept.acknowledge("outgrown radio:hall/2.4", "\n")
    kept.acknowledge("outgrown radio:hall/2.4", "y" * 5000)
    assert len(kept.open_findings()[0].reason) <= subject.LONGEST_REASON


def test_a_certificate_is_found_by_its_hash_alone(kept: Kept, tmp_path: Path) -> None:
    """Its key is a SHA-256; other texts, paths among them, are none."""
    key = kept.certificates()[0].key
    assert kept.certificate(key) is not None
    assert [kept.certificate(one) for one in ("", key[:-1], key.upper(), str(tmp_path / "site.db"))] == [None] * 4
