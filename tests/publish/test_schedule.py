from __future__ import annotations

import csv
import html
import io
from html.parser import HTMLParser
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from netaudit.publish.schedule import COLUMNS, safe_cell, schedule, schedule_csv, schedule_html, undrawn
from tests.publish.samples import plan

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from netaudit.site.model import Site


def test_each_drop_is_a_row_with_both_ends(demo_site: Site) -> None:
    """The rows are the plan's drops in its order, with start, end, length and what they feed."""
    rows = {row.drop: row for row in schedule(demo_site)}
    assert list(rows) == list(demo_site.drop)
    camera = rows["gate-camera"]
    assert (camera.starts, camera.ends, camera.length_m, camera.feeds) == ("pantry", "yard", 38.0, "device:camera-gate")
    assert camera.powered
    assert camera.switch == "switch:pantry"
    # The riser starts in the pantry: what an installer patches there is the pantry's switch, not the one that it feeds.
    assert (rows["riser"].feeds, rows["riser"].switch) == ("switch:landing", "switch:pantry")
    assert rows["parlour-spare"].feeds_words == "spare"
    assert rows["parlour-spare"].port == ""


def test_no_two_drops_share_a_port(demo_site: Site, large_site: Site) -> None:
    """A port takes one cable."""
    for site in (demo_site, large_site):
        taken = [(row.switch, row.port) for row in schedule(site) if row.port]
        assert len(taken) == len(set(taken))


@given(st.text(max_size=50))
def test_no_cell_can_start_a_formula(text: str) -> None:
    """Whatever a label holds, a spreadsheet reads it as text."""
    cell = safe_cell(text)
    assert not cell.lstrip().startswith(("=", "+", "-", "@", "|", "%"))
    assert "\n" not in cell
    assert "\r" not in cell


def test_the_csv_reads_back(demo_site: Site, hostile_site: Site) -> None:
    """A CSV reader finds the columns, one row a drop, plain numbers, and the formula as text."""
    for site in (demo_site, hostile_site):
        found = list(csv.DictReader(io.StringIO(schedule_csv(site), newline="")))
        assert len(found) == len(site.drop)
        assert tuple(found[0]) == COLUMNS
        assert [float(row["length_m"]) for row in found] == [drop.length_m for drop in site.drop.values()]
    assert found[0]["label"] == "'=HYPERLINK(1)"


class Tags(HTMLParser):
    """Collects what a page consists of."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag and its id."""
        self.tags.append(tag)
        self.ids += [value for name, value in attrs if name == "id"]


def test_the_page_has_each_drop_and_two_labels_for_it(demo_site: Site, hostile_site: Site) -> None:
    """Each drop has its row by id and a label for each of its ends; no markup of a name becomes a tag."""
    for site in (demo_site, hostile_site):
        page = schedule_html(site)
        tags = Tags()
        tags.feed(page)
        assert len(tags.ids) == len(site.drop)
        assert "script" not in tags.tags
        assert "img" not in tags.tags
        labels = page.partition('<div class="labels">')[2]
        assert labels.count("<div>") == 2 * len(site.drop)


def test_what_has_no_cable_yet_is_listed_by_room() -> None:
    """Wired and without a drop in a room: told with how many; what has a drop, is wireless or stands in a closet is not."""
    site = plan(
        """
        [closet.loft]
        [room.hall]
        [room.study]
        [switch.loft]
        ports = 16
        [access_point.loft]
        at = "loft"
        [drop.one]
        starts = "loft"
        ends = "hall"
        feeds = "device:till"
        [device.till]
        kind = "desktop"
        at = "hall"
        [device.phones]
        kind = "desk_phone"
        count = 3
        at = "study"
        [device.store]
        kind = "server"
        at = "loft"
        [device.plugs]
        kind = "plug"
        count = 4
        at = "study"
        """
    )
    assert [(one.at_words, one.feeds_words, one.count) for one in undrawn(site)] == [("room study", "device phones", 3)]
    assert "Cables that the plan doesn't have yet" in html.unescape(schedule_html(site))


def test_a_printed_table_is_no_wider_than_its_paper(browser: Browser) -> None:
    """Labels of 60 letters without a space break: on the 180 mm of an upright A4 sheet no column is cut off."""
    name = "w" * 46
    site = plan(
        f'[closet.{name}]\nlabel = "{"W" * 60}"\n[room.{name}-r]\nlabel = "{"M" * 60}"\n'
        f'[drop.{name}]\nlabel = "{"W" * 60}"\nstarts = "{name}"\nends = "{name}-r"\n'
    )
    with browser.new_page(viewport={"width": 680, "height": 960}) as page:  # 180 mm at 96 px an inch
        page.emulate_media(media="print")
        page.set_content(schedule_html(site))
        wider = page.evaluate("[...document.querySelectorAll('.scroll')].map(one => one.scrollWidth - one.clientWidth)")
        assert wider
        assert max(wider) == 0
