"""What a drawing says of each thing: names, facts, and the hover text that has all of a place's lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.capacity.line import WORST_FIRST, State
from netaudit.publish.look import STATE_WORDS
from netaudit.publish.outline import takes_power
from netaudit.publish.text import figure, harmless, kind_name, place_name, quantity
from netaudit.site.counted import counted
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from netaudit.capacity.line import Line
    from netaudit.publish.outline import Outline, Row, Shelf
    from netaudit.site.model import PortGroup, Radio, Site


def line_text(line: Line, locale: str) -> str:
    """Say one line shortly, with its word: "Ports: 12 of 26 ports, within"."""
    planned = figure(line.planned, line.unit, locale)
    supply = quantity(line.supply, line.unit, locale)
    # "12 of 26 ports" reads better than "12 ports of 26 ports"; with two units both stay.
    if planned.partition("\u00a0")[2] == supply.partition("\u00a0")[2]:
        planned = planned.partition("\u00a0")[0]
    return f"{kind_name(line.kind)}: {planned} of {supply}, {STATE_WORDS[line.state]}"


def worst(lines: Iterable[Line]) -> State | None:
    """Give the worst state of some lines as planned, None when there are none."""
    states = {line.state for line in lines}
    return next((state for state in WORST_FIRST if state in states), None)


class Captions:
    """The words for one plan, its outline and the lines of its ledger by place."""

    def __init__(self, site: Site, outline: Outline, lines: Mapping[str, Sequence[Line]]) -> None:
        self._site = site
        self._outline = outline
        self._lines = lines
        self._locale = site.site.locale

    def card(self, shelf: Shelf) -> tuple[str, list[str]]:
        """Give a switch's or the router's name, and what one wants to know of it."""
        site = self._site
        if shelf.ref == ROUTER:
            title = harmless(site.router.label) or "Router"
            facts = [
                _ports(site.router.ports, self._locale),
                "way in {}, out {}".format(
                    quantity(site.router.wan_down_bps, "bit/s", self._locale),
                    quantity(site.router.wan_up_bps, "bit/s", self._locale),
                ),
            ]
        else:
            switch = site.switch[shelf.ref]
            title = harmless(switch.label) or f"Switch {harmless(shelf.ref)}"
            facts = [_ports(switch.ports, self._locale)]
            above = "the router" if shelf.above == ROUTER else f"switch {harmless(shelf.above or '')}"
            facts.append(
                f"up to {above}: {quantity(switch.uplink_rate_bps, 'bit/s', self._locale)} {switch.uplink_medium}"
            )
        return title, facts

    def drop_facts(self, name: str, row: Row, shelf: Shelf | None) -> str:
        """Say what an installer needs beside the name of a drop."""
        drop = self._site.drop[name]
        facts = [quantity(drop.length_m, "m", self._locale), drop.category]
        if row.refs and takes_power(self._site, row.refs[0]):
            facts.append("carries power")
        if shelf is not None and shelf.closet not in (None, drop.starts):
            facts.append(f"starts in {harmless(drop.starts)}")
        return " \u00b7 ".join(facts)

    def drop(self, name: str) -> str:
        """Say all of a drop in one line."""
        drop = self._site.drop[name]
        named = name if not drop.label else f"{drop.label} ({name})"
        return (
            f"{harmless(named)}: {quantity(drop.length_m, 'm', self._locale)} {drop.category}, "
            f"{harmless(drop.starts)} to {harmless(drop.ends)}"
        )

    def thing_title(self, row: Row) -> str:
        """Name what a row stands for."""
        site = self._site
        if row.fed == "spare":
            return "spare socket" if row.count == 1 else f"{row.count} spare sockets"
        name = row.refs[0].partition(":")[2]
        if row.fed == "access_point":
            return harmless(site.access_point[name].label) or f"Access point {harmless(name)}"
        if row.fed == "recorder":
            return harmless(site.recorder[name].label) or f"Recorder {harmless(name)}"
        if row.fed == "backup":
            return harmless(site.backup[name].label) or f"Battery supply {harmless(name)}"
        device = site.device[name]
        if len(row.refs) == 1:
            named = harmless(device.label or name)
            return f"{row.count} \u00d7 {named}" if row.count > 1 else named
        return f"{row.count} \u00d7 {self._kind(row.kind)}"

    def thing_facts(self, row: Row) -> str:
        """Say kind, place and network of what a row stands for."""
        facts: list[str] = []
        if row.fed == "device" and len(row.refs) == 1:
            facts.append(self._kind(row.kind))
        if row.fed == "recorder":
            recorder = self._site.recorder[row.refs[0].partition(":")[2]]
            facts.append(f"{recorder.disks} \u00d7 {quantity(recorder.disk_bytes, 'B', self._locale)}")
        if row.fed == "backup":
            battery = self._site.backup[row.refs[0].partition(":")[2]]
            fed = ", ".join(place_name(ref, self._site) for ref in battery.feeds)
            facts.append(f"{quantity(battery.energy_wh, 'Wh', self._locale)} for {fed}")
        elif row.at is not None:
            facts.append(self._place(row.at))
        if row.segment is not None:
            facts.append(harmless(self._site.segment[row.segment].label or row.segment))
        return " \u00b7 ".join(facts)

    def _kind(self, kind: str) -> str:
        return harmless(self._site.profile[kind].label or kind)

    def _place(self, place: str) -> str:
        row = self._site.room.get(place) or self._site.closet.get(place)
        return harmless((row.label if row is not None else "") or place)

    def radio(self, radio: Radio) -> str:
        """Name a radio by what is set on it."""
        channel = f", channel {radio.channel}" if radio.channel is not None else ""
        return f"{radio.band} GHz{channel}, {radio.width_mhz:g} MHz wide"

    def stations(self, name: str, radio: Radio) -> str:
        """Say which devices a radio serves; in shares where several radios serve a group."""
        counts: dict[str, float] = {}
        for stations in self._outline.topology.stations.get((name, radio.band), ()):
            counts[stations.device.kind] = counts.get(stations.device.kind, 0.0) + stations.count
        if not counts:
            return "no device of the plan"
        if self._outline.folded:
            return f"serves about {counted(round(sum(counts.values())), 'device')}"
        shared = any(abs(count - round(count)) > 1e-6 for count in counts.values())
        said = [
            f"{quantity(round(count, 1), '', self._locale)}\u00a0\u00d7 {self._kind(kind)}"
            for kind, count in counts.items()
        ]
        return ("serves on average " if shared else "serves ") + ", ".join(said)

    def story(self, place: str) -> str:
        """Say all about a place in one hover text: its name and each of its lines."""
        said = [place_name(place, self._site)]
        link = f"link:{place.replace(':', '/', 1)}"
        said += [line_text(line, self._locale) for at in (place, link) for line in self._lines.get(at, ())]
        return "; ".join(said)


def _ports(groups: Iterable[PortGroup], locale: str) -> str:
    said = [
        f"{group.count} \u00d7 {quantity(group.rate_bps, 'bit/s', locale)}"
        + ("" if group.medium == "copper" else " fibre")
        + ("" if group.power == "none" else f", power {group.power}")
        for group in groups
    ]
    return "ports: " + "; ".join(said)


def floor_words(site: Site, building: str | None, floor: int) -> str:
    """Say on which floor of which building something is."""
    place = f", {harmless(site.building[building].label or building)}" if building is not None else ""
    return ("ground floor" if floor == 0 else f"floor {floor}") + place
