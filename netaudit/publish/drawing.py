"""
The site as one drawing: closets with their switches on the left, a ruled row for each thing that they feed on the right.

Links run down the left edge from the router, each from the switch above to the one below, and never cross. What a row
says, from left to right, is the way of the cable: switch, drop, thing, and for an access point its radios with the
devices on them. Marks show where the ledger's lines stand as planned.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.capacity.line import WORST_FIRST, Kind, State
from netaudit.publish.captions import Captions, floor_words, line_text, worst
from netaudit.publish.look import STATE_MEANINGS, STATE_WORDS
from netaudit.publish.outline import outline
from netaudit.publish.svg import Sheet, fit, text_width, wrap
from netaudit.publish.text import capital, harmless, identity, in_words, place_name
from netaudit.site.counted import counted
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from netaudit.capacity.ledger import Ledger
    from netaudit.capacity.line import Line
    from netaudit.publish.outline import Cabinet, Outline, Row, Shelf
    from netaudit.site.model import Site

# The columns, in px; together they keep an upright A4 page readable at its full width.
_WIDTH: Final = 1180.0
_LEFT: Final = 24.0
_RIGHT: Final = _WIDTH - 24.0
_CARD_X: Final = 40.0
_CARD_RIGHT: Final = 350.0
_BUS_X: Final = 366.0
_DROP_X: Final = 378.0
_DROP_WIDTH: Final = 176.0
_THING_X: Final = 566.0
_THING_WIDTH: Final = 264.0
_AIR_X: Final = 856.0
_AIR_WIDTH: Final = _RIGHT - _AIR_X
_INDENT: Final = 12.0
# Deeper switches stand below each other: the label names the one above, and the card must stay wide enough to read.
_DEEPEST: Final = 6

_SMALL: Final = 11.0
_TITLE: Final = 12.5
_STEP: Final = 15.0
# Cautions belong first, and their full list is the ledger's: a drawing must still show the network on its first page.
_MOST_CAUTIONS: Final = 8
# Squares of folded drops in one row of squares.
_SOCKETS_A_ROW: Final = 17


def draw(site: Site, ledger: Ledger) -> str:
    """Draw a checked plan and where its lines stand, as an SVG document. Pure: same input, same bytes."""
    return _Drawing(site, ledger).svg()


@dataclass(frozen=True, slots=True)
class Slices:
    """A drawing to be printed: its elements, its width, and the (top, bottom) of each slice that a page holds [px]."""

    body: str
    width: float
    slices: tuple[tuple[float, float], ...]


def draw_slices(site: Site, ledger: Ledger, page_shape: float) -> Slices:
    """
    Draw a checked plan for pages, cut between rows; a row higher than a page is cut where it must be.

    Args:      page_shape is the height of what a page holds, as a share of its width.
    """
    drawing = _Drawing(site, ledger)
    sheet = drawing.sheet_of_all()
    return Slices(sheet.elements(), _WIDTH, tuple(_slices(drawing.cuts, drawing.height, page_shape * _WIDTH)))


def _slices(cuts: list[float], height: float, page_px: float) -> Iterator[tuple[float, float]]:
    top = 0.0
    while height - top > page_px:
        fitting = [cut for cut in cuts if top < cut <= top + page_px]
        bottom = max(fitting, default=top + page_px)
        yield top, bottom
        top = bottom
    yield top, height


class _Drawing:
    """One drawing in the making: a sheet, and the height reached so far."""

    def __init__(self, site: Site, ledger: Ledger) -> None:
        self.site = site
        self.locale = site.site.locale
        self.ledger = ledger
        self.sheet = Sheet()
        self.y = 0.0
        self.outline: Outline = outline(site)
        self.lines: dict[str, list[Line]] = {}
        for line in ledger.lines:
            self.lines.setdefault(line.place, []).append(line)
        self.captions = Captions(site, self.outline, self.lines)
        self.cards: dict[str, tuple[float, float]] = {}
        self.cuts: list[float] = []
        self.card_bottom = 0.0

    @property
    def height(self) -> float:
        return self.y + 20

    def svg(self) -> str:
        sheet = self.sheet_of_all()
        title = f"Network of {harmless(self.site.site.name)}"
        return sheet.svg(_WIDTH, self.height, title, "Closets, switches, cables, access points and devices as planned")

    def sheet_of_all(self) -> Sheet:
        self._head()
        # Wires lie under the plates of closets and cards, as cables run behind them; so their elements come first.
        wires = Sheet()
        over = self.sheet
        body = Sheet()
        self.sheet = body
        for cabinet in self.outline.cabinets:
            self.cuts.append(self.y - 6)
            self._cabinet(cabinet, wires)
        self._unserved()
        self._networks()
        self._legend()
        over.extend(wires)
        over.extend(body)
        return over

    # ------------------------------------------------------------------------------------------------ head

    def _head(self) -> None:
        sheet, ledger = self.sheet, self.ledger
        self.y = 14
        for title in wrap(harmless(self.site.site.name), 720, 24, most=5, bold=True):
            self.y += 30
            sheet.text(_LEFT, self.y, title, size=24, bold=True)
        facts = [
            counted(len(self.site.closet), "closet"),
            counted(len(self.site.switch), "switch", "switches"),
            counted(len(self.site.access_point), "access point"),
            counted(sum(device.count for device in self.site.device.values()), "device"),
        ]
        sheet.text(_RIGHT, self.y, " \u00b7 ".join(facts), size=12, kind="faint", anchor="end")
        self.y += 12
        sheet.path(f"M{_LEFT} {self.y}H{_RIGHT}M{_LEFT} {self.y + 3}H{_RIGHT}", "margin")
        self.y += 24
        cautions = [("Hazard", found) for found in ledger.hazards] + [("Flaw", found) for found in ledger.flaws]
        for word, found in cautions[:_MOST_CAUTIONS]:
            sheet.mark(_LEFT, self.y - 11, State.OVER)
            words = in_words(_sentences(found.text, found.cure), self.site)
            said = harmless(f"{word}, {place_name(found.place, self.site)}: {words}", 300)
            for text in wrap(said, _RIGHT - _LEFT - 22, 12, most=2):
                sheet.text(_LEFT + 22, self.y, text, size=12)
                self.y += 17
        if len(cautions) > _MOST_CAUTIONS:
            more = f"and {len(cautions) - _MOST_CAUTIONS} more hazards and flaws, which the ledger lists"
            sheet.text(_LEFT + 22, self.y, more, size=12)
            self.y += 17
        self.y += 4 if cautions else -8

    # ------------------------------------------------------------------------------------------------ closets

    def _cabinet(self, cabinet: Cabinet, wires: Sheet) -> None:
        site, sheet = self.site, self.sheet
        top = self.y
        name = "No closet"
        where = ""
        if cabinet.closet is not None:
            closet = site.closet[cabinet.closet]
            name = harmless(closet.label) or f"Closet {harmless(cabinet.closet)}"
            where = floor_words(site, closet.building, closet.floor) + (", outdoors" if closet.outdoor else "")
        ref = f"closet:{cabinet.closet}" if cabinet.closet is not None else ""
        sheet.open(identity(ref) if cabinet.first else "", title=self.captions.story(ref) if ref else "")
        shown = fit(name + ("" if cabinet.first else ", again"), 300, 13, bold=True)
        plate = text_width(shown, 13, bold=True) + 20
        sheet.rect(_LEFT, top, plate, 24, "plate", round_px=3)
        sheet.text(_LEFT + 10, top + 16.5, shown, size=13, bold=True)
        if where:
            sheet.text(max(_BUS_X, _LEFT + plate + 12), top + 16.5, fit(where, 300, _SMALL), size=_SMALL, kind="faint")
        x = _RIGHT
        for line in self.lines.get(ref, ()) if cabinet.first else ():
            said = line_text(line, self.locale)
            x -= text_width(said, _SMALL) + 34
            if x < _AIR_X - 150:
                break
            sheet.mark(x, top + 5, line.state)
            sheet.text(x + 19, top + 16.5, said, size=_SMALL)
        sheet.path(f"M{_LEFT} {top + 30}H{_RIGHT}", "rule")
        sheet.close()
        self.y = top + 40
        for shelf in cabinet.shelves:
            self._shelf(shelf, wires)
        if cabinet.rows:
            self._rows(cabinet.rows, None)
        if not cabinet.shelves and not cabinet.rows:
            sheet.text(_CARD_X, self.y + 10, "No switch stands here and no cable ends here.", size=_SMALL, kind="faint")
            self.y += 24
        self.y += 14

    def _shelf(self, shelf: Shelf, wires: Sheet) -> None:
        top = self.y
        x = _CARD_X + min(shelf.depth, _DEEPEST) * _INDENT
        bottom = self.card_bottom = self._card(shelf, x, top)
        self.cards[shelf.ref] = (x, bottom)
        if shelf.above is not None:
            self._link(shelf, x, top, wires)
        self.y = top
        if shelf.rows:
            self._rows(shelf.rows, shelf)
        self.y = max(self.y, bottom) + 12
        self.cuts.append(self.y - 8)

    def _link(self, shelf: Shelf, x: float, top: float, wires: Sheet) -> None:
        switch = self.site.switch[shelf.ref]
        above_x, above_bottom = self.cards[shelf.above or ROUTER]
        state = worst(self.lines.get(f"link:switch/{shelf.ref}", ()))
        kind = "wire" if state in (None, State.WITHIN) else f"wire line {state}"
        fibre = switch.uplink_medium == "fibre"
        # Fibre runs beside copper, so that a dashed line never hides on a solid one.
        down_x = above_x + (13 if fibre else 7)
        target = top if x <= above_x else top + 18
        data = f"M{down_x} {above_bottom}V{target}" + (f"H{x}" if x > above_x else "")
        wires.open(title=f"link of switch {shelf.ref}")
        wires.path(data, kind, stroke_px=_stroke(switch.uplink_rate_bps), dashes="7 3" if fibre else "")
        wires.close()

    def _card(self, shelf: Shelf, x: float, top: float) -> float:
        sheet = self.sheet
        ref = ROUTER if shelf.ref == ROUTER else f"switch:{shelf.ref}"
        room = _CARD_RIGHT - x - 20
        title, facts = self.captions.card(shelf)
        details = [text for fact in facts for text in wrap(fact, room, _SMALL, most=3)]
        lines = list(self.lines.get(ref, ()))
        if shelf.ref == ROUTER:
            lines += [line for line in self.ledger.lines if line.kind is Kind.ROUTED and line.place != ROUTER]
        else:
            lines += self.lines.get(f"link:switch/{shelf.ref}", ())
        states = [(line.state, self._line_texts(line, room)) for line in lines]
        titles = wrap(title, room, _TITLE, most=2, bold=True)
        drop_texts = [
            (name, text) for name in shelf.uplink_drops for text in wrap(self.captions.drop(name), room, _SMALL, most=3)
        ]
        rows = len(details) + sum(len(texts) for _, texts in states) + len(drop_texts)
        height = 10 + len(titles) * 17 + rows * _STEP + 4
        sheet.open(identity(ref), title=self.captions.story(ref))
        sheet.rect(x, top, _CARD_RIGHT - x, height, "box", round_px=2)
        sheet.path(f"M{x} {top + 3}H{_CARD_RIGHT}", "thin")
        y = top + 19
        for text in titles:
            sheet.text(x + 10, y, text, size=_TITLE, bold=True)
            y += 17
        for text in details:
            sheet.text(x + 10, y, text, size=_SMALL, kind="faint")
            y += _STEP
        for state, texts in states:
            y = self._stands(x + 10, y, state, texts)
        for name in shelf.uplink_drops:
            sheet.open(identity(f"drop:{name}"), title=self.captions.drop(name))
            for owner, text in drop_texts:
                if owner == name:
                    sheet.text(x + 10, y, text, size=_SMALL, kind="faint")
                    y += _STEP
            sheet.close()
        sheet.close()
        return top + height

    def _line_texts(self, line: Line, width: float) -> list[str]:
        """Break a line's words into what stands beside its mark; never cut, for its last word is the state."""
        return wrap(line_text(line, self.locale), width - 19, _SMALL, most=4)

    def _stands(self, x: float, y: float, state: State, texts: list[str]) -> float:
        """Draw a line's mark and words; give the next baseline."""
        self.sheet.mark(x, y - 11, state)
        for text in texts:
            self.sheet.text(x + 19, y, text, size=_SMALL)
            y += _STEP
        return y

    # ------------------------------------------------------------------------------------------------ rows

    def _rows(self, rows: Iterable[Row], shelf: Shelf | None) -> None:
        first = self.y + 18
        last = 0.0
        for row in rows:
            middle = self.y + 18
            if shelf is not None:
                self.sheet.path(f"M{_BUS_X} {middle:.1f}H{_THING_X}", "wire", stroke_px=1.2)
                last = middle
            self._row(row, middle, shelf)
        if last:
            self.sheet.path(f"M{_CARD_RIGHT} {first:.1f}H{_BUS_X}V{last:.1f}", "wire", stroke_px=1.2)

    def _row(self, row: Row, middle: float, shelf: Shelf | None) -> None:
        top = self.y
        drop_bottom = self._drops(row, middle, shelf)
        thing_bottom = self._thing(row, top)
        air_bottom = self._radios(row, top) if row.fed == "access_point" else top
        self.y = max(drop_bottom, thing_bottom, air_bottom) + 8
        self.sheet.path(f"M{_DROP_X} {self.y - 4:.1f}H{_RIGHT}", "rule", stroke_px=0.7)
        if self.y > self.card_bottom:
            self.cuts.append(self.y - 3)

    def _drops(self, row: Row, middle: float, shelf: Shelf | None) -> float:
        sheet = self.sheet
        if not row.drops:
            if shelf is not None:
                said = "patch cord" if row.corded else "cable not in the plan"
                sheet.text(_DROP_X, middle - 4, said, size=_SMALL, kind="faint")
            return middle + 6
        if len(row.drops) == 1:
            name = row.drops[0]
            sheet.open(identity(f"drop:{name}"), title=self.captions.drop(name))
            names = wrap(harmless(self.site.drop[name].label or name), _DROP_WIDTH, _SMALL, most=4)
            details = wrap(self.captions.drop_facts(name, row, shelf), _DROP_WIDTH, _SMALL, most=3)
            sheet.text(_DROP_X, middle - 4, names[0], size=_SMALL)
            y = middle + 13
            for text in names[1:]:
                sheet.text(_DROP_X, y, text, size=_SMALL)
                y += _STEP
            for text in details:
                sheet.text(_DROP_X, y, text, size=_SMALL, kind="faint")
                y += _STEP
            sheet.close()
            return y - 9
        sheet.text(_DROP_X, middle - 4, counted(len(row.drops), "drop"), size=_SMALL)
        for index, name in enumerate(row.drops):
            x = _DROP_X + index % _SOCKETS_A_ROW * 10
            y = middle + 6 + index // _SOCKETS_A_ROW * 10
            sheet.open(identity(f"drop:{name}"), title=self.captions.drop(name))
            sheet.rect(x, y, 7, 7, "socket")
            sheet.close()
        return middle + 6 + (len(row.drops) - 1) // _SOCKETS_A_ROW * 10 + 8

    def _thing(self, row: Row, top: float) -> float:
        sheet = self.sheet
        room = _THING_WIDTH - 18
        titles = wrap(self.captions.thing_title(row), room, _TITLE, most=3, bold=True)
        details = wrap(self.captions.thing_facts(row), room, _SMALL, most=3)
        lines = [line for ref in row.refs for line in self.lines.get(ref, ())] if row.fed != "device" else []
        states = [(line.state, self._line_texts(line, room)) for line in lines]
        height = 8 + len(titles) * 17 + (len(details) + sum(len(texts) for _, texts in states)) * _STEP + 2
        height = max(height, 34)
        story = "; ".join(self.captions.story(ref) for ref in row.refs[:20])
        sheet.open(identity(row.refs[0]) if row.refs else "", title=story or self.captions.thing_title(row))
        sheet.rect(_THING_X, top + 2, _THING_WIDTH, height, "leaf", round_px=8 if row.fed == "access_point" else 2)
        y = top + 18
        for text in titles:
            sheet.text(_THING_X + 9, y, text, size=_TITLE, bold=row.fed != "spare", kind="faint" * (row.fed == "spare"))
            y += 17
        for text in details:
            sheet.text(_THING_X + 9, y - 2, text, size=_SMALL, kind="faint")
            y += _STEP
        for state, texts in states:
            y = self._stands(_THING_X + 9, y - 2, state, texts) + 2
        for ref in row.refs[1:]:
            sheet.open(identity(ref))
            sheet.close()
        sheet.close()
        return top + 2 + height

    # ------------------------------------------------------------------------------------------------ radios

    def _radios(self, row: Row, top: float) -> float:
        sheet = self.sheet
        name = row.refs[0].partition(":")[2]
        sheet.path(f"M{_THING_X + _THING_WIDTH + 4} {top + 18:.1f}H{_AIR_X - 4}", "wire", stroke_px=2.2, dashes="2 4")
        y = top + 18
        for radio in self.site.access_point[name].radio:
            place = f"radio:{name}/{radio.band}"
            sheet.open(identity(place), title=self.captions.story(place))
            sheet.text(_AIR_X, y, self.captions.radio(radio), size=_SMALL, bold=True)
            y += _STEP
            lines = self.lines.get(place, [])
            if self.outline.folded:  # one line a radio: the one that stands worst; the others are in the hover text
                lines = sorted(lines, key=lambda line: WORST_FIRST.index(line.state))[:1]
            for line in lines:
                y = self._stands(_AIR_X, y, line.state, self._line_texts(line, _AIR_WIDTH))
            for text in wrap(self.captions.stations(name, radio), _AIR_WIDTH, _SMALL, most=8):
                sheet.text(_AIR_X, y, text, size=_SMALL, kind="faint")
                y += _STEP
            sheet.close()
            y += 3
        return y - 12

    def _unserved(self) -> None:
        names = self.outline.topology.unserved
        if not names:
            return
        sheet = self.sheet
        said = "No access point reaches: " + ", ".join(harmless(name) for name in names)
        sheet.mark(_LEFT, self.y - 1, State.OVER)
        for text in wrap(said, _RIGHT - _LEFT - 22, 12, most=4):
            sheet.text(_LEFT + 22, self.y + 10, text, size=12)
            self.y += 17
        self.y += 14

    # ------------------------------------------------------------------------------------------------ foot

    def _networks(self) -> None:
        sheet = self.sheet
        self.cuts.append(self.y - 4)
        sheet.text(_LEFT, self.y + 12, "Networks", size=13, bold=True)
        self.y += 20
        sheet.path(f"M{_LEFT} {self.y}H{_RIGHT}", "margin")
        counts: Counter[str] = Counter()
        for name, device in self.site.device.items():
            counts[self.outline.topology.segment_of[name]] += device.count
        columns = (_LEFT, 250.0, 420.0, 520.0, 760.0)
        self.y += 16
        for x, text in zip(
            columns, ("Name", "Addresses", "VLAN", "On the air as", "Devices planned, without equipment"), strict=True
        ):
            sheet.text(x, self.y, text, size=_SMALL, kind="faint")
        for name, segment in self.site.segment.items():
            ref = f"segment:{name}"
            self.y += 18
            sheet.open(identity(ref), title=self.captions.story(ref))
            sheet.text(columns[0], self.y, fit(harmless(segment.label or name), 215, 12, bold=True), size=12, bold=True)
            sheet.text(columns[1], self.y, str(segment.network), size=12)
            sheet.text(columns[2], self.y, str(segment.vlan or "\u2013"), size=12)
            sheet.text(columns[3], self.y, fit(harmless(segment.ssid or "\u2013"), 230, 12), size=12)
            sheet.text(columns[4], self.y, str(counts[name]), size=12)
            x = columns[4] + 60
            for line in self.lines.get(ref, ()):
                said = line_text(line, self.locale)
                if x + text_width(said, _SMALL) + 19 > _RIGHT:
                    break
                sheet.mark(x, self.y - 11, line.state)
                sheet.text(x + 19, self.y, said, size=_SMALL)
                x += text_width(said, _SMALL) + 34
            sheet.close()
            sheet.path(f"M{_LEFT} {self.y + 6}H{_RIGHT}", "rule", stroke_px=0.7)
        self.y += 30

    def _legend(self) -> None:
        sheet = self.sheet
        x = _LEFT
        for state in (State.WITHIN, State.TIGHT, State.OVER):
            said = f"{STATE_WORDS[state]}: {STATE_MEANINGS[state]}"
            sheet.mark(x, self.y - 11, state)
            sheet.text(x + 19, self.y, said, size=_SMALL, kind="faint")
            x += text_width(said, _SMALL) + 44
        self.y += 20
        x = _LEFT
        for said, stroke, dashes in (
            ("copper, thicker is faster", 2.0, ""),
            ("fibre", 2.0, "7 3"),
            ("radio", 2.2, "2 4"),
        ):
            sheet.path(f"M{x} {self.y - 4}h34", "wire", stroke_px=stroke, dashes=dashes)
            sheet.text(x + 42, self.y, said, size=_SMALL, kind="faint")
            x += text_width(said, _SMALL) + 70
        if self.outline.folded:
            sheet.rect(x, self.y - 8, 7, 7, "socket")
            said = "one drop; devices that are alike share a row"
            sheet.text(x + 14, self.y, said, size=_SMALL, kind="faint")


def _sentences(*parts: str) -> str:
    """Write parts as sentences: a capital in front, a full stop behind."""
    return " ".join(f"{capital(part).rstrip('.')}." for part in parts if part)


def _stroke(rate_bps: float) -> float:
    """Give the width of a link's line: three steps that the eye can tell apart."""
    return 1.2 if rate_bps < 1e9 else 2.0 if rate_bps < 5e9 else 3.5
