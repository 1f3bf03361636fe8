from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from netaudit.publish.outline import MOST_ROWS, outline, takes_power
from netaudit.site.topology import ROUTER
from tests.publish.samples import plan

if TYPE_CHECKING:
    from netaudit.publish.outline import Outline, Row
    from netaudit.site.model import Site


def rows_of(made: Outline) -> list[Row]:
    """List every row of an outline."""
    cabinets = made.cabinets
    return [row for one in cabinets for shelf in one.shelves for row in shelf.rows] + [
        row for one in cabinets for row in one.rows
    ]


def wired_devices(site: Site) -> int:
    """Count the devices on cables, from the plan alone."""
    return sum(one.count for one in site.device.values() if site.profile[one.kind].link == "wired")


def test_nothing_is_lost_or_doubled(demo_site: Site, large_site: Site) -> None:
    """Every wired device, access point, recorder, switch and drop is in the outline once, folded or not."""
    for site in (demo_site, large_site):
        made = outline(site)
        rows = rows_of(made)
        assert sum(row.count for row in rows if row.fed == "device") == wired_devices(site)
        for table in ("access_point", "recorder", "backup"):
            refs = [ref for row in rows if row.fed == table for ref in row.refs]
            assert sorted(refs) == sorted(f"{table}:{name}" for name in getattr(site, table))
        shelves = [shelf for one in made.cabinets for shelf in one.shelves]
        assert sorted(shelf.ref for shelf in shelves) == sorted([ROUTER, *site.switch])
        drops = [drop for row in rows for drop in row.drops] + [drop for one in shelves for drop in one.uplink_drops]
        assert sorted(drops) == sorted(site.drop)
        assert {one.closet for one in made.cabinets} == set(site.closet)


def test_a_large_plan_folds_and_a_small_one_does_not(demo_site: Site, large_site: Site) -> None:
    """The demonstration shows each entry; what hangs on 12 switches becomes rows of what is alike."""
    assert not outline(demo_site).folded
    made = outline(large_site)
    assert made.folded
    rows = [row for row in rows_of(made) if row.fed == "device"]
    kinds = {large_site.device[ref.partition(":")[2]].kind for row in rows for ref in row.refs}
    # At most one row for each kind on each switch is left; MOST_ROWS is what a page would have held.
    assert wired_devices(large_site) > MOST_ROWS
    assert len(rows) <= len(large_site.switch) * len(kinds)


def test_links_never_cross(large_site: Site) -> None:
    """A switch comes after the one above it, and its depth grows by at most one at a step: the links form a plain tree."""
    shelves = [shelf for one in outline(large_site).cabinets for shelf in one.shelves]
    assert shelves[0].ref == ROUTER
    for before, after in pairwise(shelves):
        assert after.depth <= before.depth + 1
    seen = {ROUTER: 0}
    for shelf in shelves[1:]:
        assert shelf.above in seen
        assert shelf.depth == seen[shelf.above] + 1
        seen[shelf.ref] = shelf.depth


def test_a_closet_that_comes_up_again_is_marked() -> None:
    """Where a link leaves a closet and comes back, the closet is drawn twice and named once."""
    site = plan(
        "[closet.one]\n[closet.two]\n[closet.bare]\n[router]\ncloset = 'one'\n"
        "[switch.a]\ncloset = 'one'\n[switch.b]\ncloset = 'two'\nuplink = 'switch:a'\n"
        "[switch.c]\ncloset = 'one'\nuplink = 'switch:b'"
    )
    assert [(one.closet, one.first) for one in outline(site).cabinets] == [
        ("one", True),
        ("two", True),
        ("one", False),
        ("bare", True),
    ]


def test_what_takes_power_is_what_the_plan_says(demo_site: Site) -> None:
    """A camera and an access point are fed by their cable, a desktop and a recorder are not."""
    fed = ("device:camera-gate", "access_point:hall", "device:desk", "recorder:vault")
    assert [takes_power(demo_site, ref) for ref in fed] == [True, True, False, False]


def test_what_is_folded_from_several_rooms_hangs_on_no_patch_cord() -> None:
    """Computers of many rooms in one row: their cables are not in the plan; those in the closet itself have cords."""
    rooms = "".join(f"[room.r{n}]\n" for n in range(MOST_ROWS))
    far = "".join(f'[device.far{n}]\nkind = "desktop"\nat = "r{n}"\n' for n in range(MOST_ROWS))
    near = "".join(f'[device.near{n}]\nkind = "printer"\nat = "c"\n' for n in range(9))
    rows = rows_of(outline(plan(f"[closet.c]\n[switch.s]\nports = 48\n{rooms}{far}{near}")))
    assert {(row.kind, row.count, row.corded) for row in rows} == {
        ("desktop", MOST_ROWS, False),
        ("printer", 9, True),
    }
