from __future__ import annotations

import math
import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from netaudit.capacity.ledger import Ledger, gather
from netaudit.capacity.line import Kind, State
from netaudit.publish.captions import line_text, worst
from netaudit.publish.drawing import draw, draw_slices
from netaudit.publish.floor import draw_floor, floors
from netaudit.publish.look import STATE_WORDS
from netaudit.publish.printed import print_pages
from netaudit.publish.reception import Coverage, receptions
from netaudit.publish.svg import text_width
from netaudit.publish.text import identity
from tests.publish.samples import assert_self_contained, line, parsed, plan

if TYPE_CHECKING:
    from collections.abc import Iterator
    from xml.etree import ElementTree as ET

    from netaudit.site.model import Site

SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Box:
    """Where a text is."""

    text: str
    left: float
    top: float
    right: float
    bottom: float


def boxes(root: ET.Element) -> Iterator[Box]:
    """Estimate the box of each text of a drawing from its place, size, weight and anchor."""
    for element in root.iter(f"{SVG}text"):
        text = element.text or ""
        x, y, size = (float(element.attrib[name]) for name in ("x", "y", "font-size"))
        width = text_width(text, size, bold="font-weight" in element.attrib)
        left = x - width if element.get("text-anchor") == "end" else x
        yield Box(text, left, y - 0.75 * size, left + width, y + 0.2 * size)


def assert_clean(svg: str) -> ET.Element:
    """Hold the laws of every drawing: it parses, no text meets another, none leaves the sheet, nothing is loaded or run."""
    root = parsed(svg)
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    found = sorted(boxes(root), key=lambda box: box.top)
    for index, box in enumerate(found):
        assert box.left >= 0, box
        assert box.right <= width, box
        assert box.top >= 0, box
        assert box.bottom <= height, box
        for other in found[index + 1 :]:
            if other.top >= box.bottom:
                break
            assert box.right <= other.left or other.right <= box.left, (box, other)
    tags = {element.tag.removeprefix(SVG) for element in root.iter()}
    assert tags <= {"svg", "title", "desc", "style", "g", "rect", "path", "circle", "text"}
    assert not any(name.startswith("on") or "href" in name for element in root.iter() for name in element.attrib)
    ids = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    return root


def ids_of(root: ET.Element) -> set[str]:
    """List the ids of a drawing."""
    return {element.attrib["id"] for element in root.iter() if "id" in element.attrib}


@pytest.mark.parametrize("which", ["demo_site", "large_site", "hostile_site"])
def test_everything_of_the_plan_is_drawn_by_its_id(which: str, request: pytest.FixtureRequest) -> None:
    """Closets, switches, access points, recorders, drops, segments, wired devices and radios can each be found."""
    site: Site = request.getfixturevalue(which)
    root = assert_clean(draw(site, gather(site)))
    wanted = {
        f"{table}:{name}"
        for table in ("closet", "switch", "access_point", "recorder", "backup", "drop", "segment")
        for name in getattr(site, table)
    }
    wanted |= {f"device:{name}" for name, row in site.device.items() if site.profile[row.kind].link == "wired"}
    wanted |= {f"radio:{name}/{radio.band}" for name, row in site.access_point.items() for radio in row.radio}
    assert {identity(ref) for ref in wanted} | {"router"} <= ids_of(root)


def test_the_language_of_the_words_is_said(demo_site: Site, demo_ledger: Ledger) -> None:
    """The words are English whatever the site's locale: what reads them out must know (SVG 2 has HTML's `lang`; from memory)."""
    german = demo_site.model_copy(update={"site": demo_site.site.model_copy(update={"locale": "de"})})
    for site in (demo_site, german):
        assert parsed(draw(site, demo_ledger)).get("lang") == "en"


def test_networks_share_the_devices_of_the_head(demo_site: Site, demo_ledger: Ledger) -> None:
    """What stands under the heading that leaves equipment out adds up to the devices that the head counts."""
    svg = draw(demo_site, demo_ledger)
    (head,) = re.findall(r"(\d+) devices<", svg)
    assert ">Devices planned, without equipment<" in svg
    counts = [
        re.search(r'x="760[^>]*>(\d+)<', part) for part in svg.partition(">Networks<")[2].split('<g id="segment:')[1:]
    ]
    assert sum(int(found[1]) for found in counts if found) == int(head)


def test_the_same_plan_gives_the_same_bytes(demo_site: Site, demo_ledger: Ledger) -> None:
    """Drawing is pure."""
    assert draw(demo_site, demo_ledger) == draw(demo_site, demo_ledger)


def test_a_small_plan_has_a_drawing() -> None:
    """A plan with a router and nothing else is drawn too."""
    site = plan("")
    assert "router" in ids_of(assert_clean(draw(site, Ledger((), (), ()))))


def test_what_nobody_serves_is_said() -> None:
    """A wireless device that no access point reaches stands on the drawing."""
    site = plan('[access_point.high]\n[[access_point.high.radio]]\nband = "5"\n[device.lonely]\nkind = "plug"')
    assert "No access point reaches: lonely" in draw(site, Ledger((), (), ()))


def test_a_mark_always_has_its_word(demo_site: Site) -> None:
    """Each state on the drawing is a shape with its title, and the word in the text beside it."""
    lines = (
        line(planned=1, place="switch:pantry"),
        line(planned=9, place="switch:landing"),
        line(planned=11, place="switch:bench"),
    )
    root = assert_clean(draw(demo_site, Ledger(lines, (), ())))
    for name, state in (("pantry", State.WITHIN), ("landing", State.TIGHT), ("bench", State.OVER)):
        card = next(element for element in root.iter() if element.get("id") == f"switch:{name}")
        assert card.find(f".//{SVG}g[@class='mark {state.value}']/{SVG}title") is not None
        assert any((text.text or "").endswith(STATE_WORDS[state]) for text in card.iter(f"{SVG}text"))


def test_a_group_is_shared_between_its_access_points() -> None:
    """Eleven plugs that two access points serve alike are five and a half on each; four lights on one of them are four."""
    site = plan(
        '[access_point.a]\n[access_point.b]\n[device.plugs]\nkind = "plug"\ncount = 11\n'
        '[device.lights]\nkind = "light"\ncount = 4\naccess_points = ["b"]'
    )
    root = assert_clean(draw(site, Ledger((), (), ())))
    said = {
        name: " ".join(text.text or "" for text in element.iter(f"{SVG}text"))
        for element in root.iter(f"{SVG}g")
        for name in [element.get("id", "")]
        if name.startswith("radio:")
    }
    assert "serves on average 5.5\u00a0\u00d7 Switched plug" in said["radio:a/2.4"]
    assert "5.5\u00a0\u00d7 Switched plug" in said["radio:b/2.4"]
    assert "4\u00a0\u00d7 Light" in said["radio:b/2.4"]
    assert "no device of the plan" in said["radio:a/5"]


def test_long_names_get_the_room_that_they_need() -> None:
    """Names of the most and widest letters that a plan allows are shown whole, and no row runs into the next."""
    names = [f"{n}{'W' * 47}" for n in range(3)]
    site = plan(
        "[closet.c]\n[room.r]\ncloset = 'c'\n[switch.s]\n"
        + "\n".join(
            f"[drop.{name}]\nstarts = 'c'\nends = 'r'\nfeeds = 'device:d{n}'\n[device.d{n}]\nkind = 'desktop'\nat = 'r'"
            for n, name in enumerate(names)
        )
    )
    root = assert_clean(draw(site, Ledger((), (), ())))
    for name in names:
        group = next(element for element in root.iter() if element.get("id") == f"drop:{name}")
        assert name in "".join(text.text or "" for text in group.iter(f"{SVG}text"))


def test_an_overloaded_link_is_drawn_as_such(demo_site: Site) -> None:
    """The line of a link that carries too much is of the state's kind."""
    over = line(planned=11, place="link:switch/bench", kind=Kind.LINK_UP)
    assert 'class="wire line over"' in draw(demo_site, Ledger((over,), (), ()))


def test_the_worst_state_wins() -> None:
    """Of several lines in one place the worst is shown; of none, nothing."""
    assert worst([line(planned=1), line(planned=11), line(planned=9)]) is State.OVER
    assert worst([]) is None


@pytest.mark.parametrize("which", ["demo_site", "hostile_site"])
def test_floors_are_clean_and_hold_what_is_placed(which: str, request: pytest.FixtureRequest) -> None:
    """Every placed room, closet and access point is on exactly one floor, and no label meets another."""
    site: Site = request.getfixturevalue(which)
    ledger, reached, coverage = gather(site), receptions(site), Coverage(site)
    drawn = [ids_of(assert_clean(draw_floor(site, ledger, floor, reached, coverage))) for floor in floors(site)]
    wanted = {f"room:{name}" for name, room in site.room.items() if room.x_m is not None}
    wanted |= {f"access_point:{name}" for name in site.access_point}
    wanted |= {f"closet:{name}" for name, closet in site.closet.items() if closet.x_m is not None}
    for ref in wanted:
        assert sum(identity(ref) in ids for ids in drawn) == 1, ref


@pytest.mark.parametrize("which", ["demo_site", "large_site"])
def test_pages_hold_all_of_the_drawing_and_cut_no_text(which: str, request: pytest.FixtureRequest) -> None:
    """The slices follow each other from top to bottom, none is higher than its page, and no text lies across a cut."""
    site: Site = request.getfixturevalue(which)
    ledger = gather(site)
    root = parsed(draw(site, ledger))
    made = draw_slices(site, ledger, 0.66)
    assert made.slices[0][0] == 0
    assert made.slices[-1][1] == pytest.approx(float(root.attrib["height"]), abs=1)
    assert all(before[1] == after[0] for before, after in pairwise(made.slices))
    assert all(0 < bottom - top <= 0.66 * made.width for top, bottom in made.slices)
    cuts = [bottom for _, bottom in made.slices[:-1]]
    assert cuts
    assert not [box for box in boxes(root) for cut in cuts if box.top < cut < box.bottom]


def test_the_printed_page_is_self_contained(hostile_site: Site) -> None:
    """It has the drawing once, a sheet a slice, and loads and runs nothing."""
    page = print_pages(hostile_site, gather(hostile_site))
    assert page.count('<g id="drawing">') == 1
    assert page.count("<section>") == page.count('<use href="#drawing"/>') >= 1
    assert_self_contained(page)
    assert "\u202e" not in page


def test_no_label_lies_on_a_symbol() -> None:
    """Where an access point and a closet hang in the corner that a room's name would take, the name gives way."""
    site = plan(
        '[closet.nook]\nx = "0.9 m"\ny = "9.8 m"\n'
        '[room.hall]\nx = "0 m"\ny = "0 m"\nwidth = "10 m"\ndepth = "10 m"\n'
        '[access_point.corner]\nat = "hall"\nx = "0.3 m"\ny = "9.8 m"'
    )
    root = assert_clean(draw_floor(site, gather(site), floors(site)[0], receptions(site)))
    assert "hall" in [box.text for box in boxes(root)]
    symbols = [
        Box("access point", x - r, y - r, x + r, y + r)
        for element in root.iter(f"{SVG}circle")
        for x, y, r in [tuple(float(element.attrib[name]) for name in ("cx", "cy", "r"))]
    ]
    symbols += [
        Box("closet", x, y, x + 16, y + 16)
        for element in root.iter(f"{SVG}rect")
        if element.get("class") == "plate"
        for x, y in [(float(element.attrib["x"]), float(element.attrib["y"]))]
    ]
    assert {symbol.text for symbol in symbols} == {"access point", "closet"}
    for box in boxes(root):
        for symbol in symbols:
            apart = box.right <= symbol.left or symbol.right <= box.left
            assert apart or box.bottom <= symbol.top or symbol.bottom <= box.top, (box, symbol)


HALL = (
    '[room.hall]\nx = "0 m"\ny = "0 m"\nwidth = "{width} m"\ndepth = "20 m"\n'
    '[access_point.{name}]\nat = "hall"\nx = "1 m"\ny = "10 m"\n'
    '[[access_point.{name}.radio]]\nband = "5"\neirp = "{eirp} dBm"\n'
)


def floor_of(site: Site) -> ET.Element:
    """Draw the only floor with all that reaches it."""
    return assert_clean(draw_floor(site, gather(site), floors(site)[0], receptions(site), Coverage(site)))


def marked(root: ET.Element, kind: str) -> list[tuple[float, float]]:
    """Give the middle of each mark of weak or no reception [px]."""
    aside = {"weak": (1.2, 0.0), "none": (3.0, 3.0)}[kind]
    found = [path for path in root.iter(f"{SVG}path") if path.get("class") == f"thin {kind}"]
    starts = [
        mark.partition("h")[0].partition("l")[0] for path in found[:1] for mark in path.attrib["d"].split("M")[1:]
    ]
    return [(float(x) + aside[0], float(y) + aside[1]) for x, y in (start.split() for start in starts)]


def test_weak_reception_is_marked_where_it_is() -> None:
    """An access point at one end of a long hall: the more power it sends, the fewer marks, and in the end none."""
    counts = []
    for eirp_dbm in (0, 10, 40):
        root = floor_of(plan(HALL.format(width=90, name="a", eirp=eirp_dbm)))
        weak, none = marked(root, "weak"), marked(root, "none")
        counts.append((len(weak) + len(none), len(none)))
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[1] > counts[2] == (0, 0)


def test_what_is_marked_is_weaker_than_the_key_says() -> None:
    """
    P.1238 by hand in a house at 5.25 GHz: 20 log 5250 + 28 log d - 28 is 65 dB at 4.62 m and 75 dB at 10.5 m.

    An access point that sends 0 dBm has all dots between the two, and all crosses beyond.
    """
    root = floor_of(plan(HALL.format(width=90, name="a", eirp=0)))
    px_a_metre = 1000 / 90
    away_m = {
        kind: [math.hypot((x - 40) / px_a_metre - 1, 20 - (y - 70) / px_a_metre - 10) for x, y in marked(root, kind)]
        for kind in ("weak", "none")
    }
    assert 4.61 < min(away_m["weak"]) < 4.62 + 18 / px_a_metre
    assert 10.5 - 18 / px_a_metre < max(away_m["weak"]) < 10.51
    assert 10.49 < min(away_m["none"]) < 10.5 + 18 / px_a_metre
    assert "5 GHz weaker than \u221265\u00a0dBm: slower" in [box.text for box in boxes(root)]


def test_a_floor_without_known_access_points_claims_no_reception() -> None:
    """No position, no mark, and no sentence on reception."""
    root = floor_of(plan('[room.hall]\nx = "0 m"\ny = "0 m"\nwidth = "9 m"\ndepth = "9 m"\n[access_point.a]'))
    assert not marked(root, "weak")
    assert not any("dBm" in box.text or "antenna" in box.text for box in boxes(root))


def test_a_long_name_never_takes_the_place_of_the_figures() -> None:
    """Each room says level and rate, whatever the access point is called; where a room has no place for them the foot does."""
    root = floor_of(plan(HALL.format(width=20, name="w" * 48, eirp=20)))
    assert any("dBm" in box.text and "b/s" in box.text for box in boxes(root))
    beside = '[room.beside]\nx = "20 m"\ny = "0 m"\nwidth = "1.6 m"\ndepth = "20 m"\n'
    narrow = [box.text for box in boxes(floor_of(plan(HALL.format(width=20, name="w" * 48, eirp=20) + beside)))]
    assert any(text.startswith("Without room for a label: beside: 5 GHz ") and "b/s" in text for text in narrow)
    assert not any("\u2026" in text and "w" not in text for text in narrow)


def test_the_key_names_the_walls_of_its_own_floor() -> None:
    """A wall of the other building's ground floor is neither drawn nor named."""
    site = plan(
        "[building.house]\n[building.barn]\n"
        + "".join(
            f'[room.in-{name}]\nbuilding = "{name}"\nx = "{x} m"\ny = "0 m"\nwidth = "9 m"\ndepth = "9 m"\n'
            for name, x in (("house", 0), ("barn", 20))
        )
        + '[[wall]]\nbuilding = "barn"\nx1 = "24 m"\ny1 = "0 m"\nx2 = "24 m"\ny2 = "9 m"\nmaterial = "concrete"\n'
    )
    house, barn = (draw_floor(site, gather(site), floor) for floor in floors(site))
    assert ">concrete<" not in house
    assert ">concrete<" in barn


def test_an_access_point_on_the_edge_stands_on_the_edge() -> None:
    """Its own y of 0 m counts, not the closet's in which it hangs: it stands as low as the room's lower wall."""
    site = plan(
        '[closet.nook]\nx = "5 m"\ny = "8 m"\n[room.hall]\nx = "0 m"\ny = "0 m"\nwidth = "10 m"\ndepth = "10 m"\n'
        '[access_point.low]\nat = "nook"\nx = "5 m"\ny = "0 m"'
    )
    root = floor_of(site)
    room = next(element for element in root.iter(f"{SVG}rect") if element.get("class") == "room")
    lowest = float(room.attrib["y"]) + float(room.attrib["height"])
    assert all(float(circle.attrib["cy"]) == pytest.approx(lowest) for circle in root.iter(f"{SVG}circle"))


def test_a_flaw_speaks_of_things_by_their_names() -> None:
    """What finds no port is called by its label, else by table and name, never by the plan's reference."""
    site = plan(
        "[closet.c]\n[switch.s]\nports = 2\n"
        + "".join(
            f'[device.d{n}]\nkind = "desktop"\nat = "c"\n{label}'
            for n, label in enumerate(('label = "Ada\'s"\n', "", ""))
        )
    )
    ledger = gather(site)
    assert any("device:" in flaw.text for flaw in ledger.flaws)
    said = " ".join(box.text for box in boxes(assert_clean(draw(site, ledger))))
    assert "device d2 finds no free copper port" in said
    assert "device:" not in said


def test_a_line_names_its_unit_once() -> None:
    """One of four ports, not one port of four ports; two units stay two."""
    said = {one.planned: line_text(one, "en") for one in (line(planned=1, supply=4), line(planned=3, supply=4))}
    assert [text.partition(",")[0] for text in said.values()] == [
        "Ports: 1 of 4\u00a0ports",
        "Ports: 3 of 4\u00a0ports",
    ]
