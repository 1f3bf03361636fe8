"""
What switches told of who is behind which port, from forwarding tables and from neighbours (LLDP), in refs of the plan.

A port that leads to another switch or to the router has learnt everybody beyond it; who is plugged in is told by the others.
Nobody asks the router: on which of its ports a switch is, the switch tells, where the router says so on that cable (LLDP).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from netaudit.audit import vocabulary
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from netaudit.audit.roster import Roster, Thing


class Told(Protocol):
    """A notice, as it was heard or as it was kept."""

    @property
    def kind(self) -> str:
        """Which word of the vocabulary."""

    @property
    def place(self) -> str:
        """A port: `switch:NAME/port:N`."""

    @property
    def detail(self) -> tuple[tuple[str, str], ...]:
        """What was told."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """
    Who is behind each port of which a switch told; what the plan doesn't know is left out.

    neighbours  per port, who says by LLDP that it is plugged in; per port of the router (`router/port:N`), from
                where it is heard: a switch, or the network on which this box hears it
    learnt      per port, whose MAC the forwarding table has
    unnamed     per port that hears the router, what that calls its own end, where the plan has no such port
    """

    neighbours: Mapping[str, frozenset[str]]
    learnt: Mapping[str, frozenset[str]]
    unnamed: Mapping[str, str] = field(default_factory=dict)

    def places(self, switch: str, ref: str) -> tuple[frozenset[str], bool]:
        """Give the ports of a switch that lead to a ref, and whether it says so itself: its own word counts first."""
        for table, itself in ((self.neighbours, True), (self.learnt, False)):
            found = frozenset(place for place, refs in table.items() if ref in refs and switch_of(place) == switch)
            if found:
                return found, itself
        return frozenset(), False

    def leading(self) -> frozenset[str]:
        """Give the ports behind which is a switch or the router."""
        return frozenset(
            place
            for table in (self.neighbours, self.learnt)
            for place, refs in table.items()
            if any(ref == ROUTER or ref.startswith("switch:") for ref in refs)
        )

    def heard(self) -> frozenset[str]:
        """Give the refs that were told of, and the switches that told."""
        tables = (self.neighbours, self.learnt)
        told_of = {ref for table in tables for refs in table.values() for ref in refs}
        return frozenset(told_of | {switch_of(place) for table in tables for place in table})

    def astray(self, switch: str, above: Mapping[str, str], upward: Mapping[str, frozenset[str]]) -> str | None:
        """
        Give the port of another switch on which a switch hangs by the neighbours' word; None when that is as planned.

        Of two switches that see each other, the one whose port leads to the router hangs on the other; where that can't be
        told, nothing is. Who hangs beyond a switch that says nothing of itself is seen by the next above that.

        Args:      above: what each switch of the plan hangs on ("router" or a switch's ref); upward: per switch, its planned
                   ports towards the router, for those that haven't learnt it.
        """
        silent = self._beyond_silence(switch, above)
        for place, refs in sorted(self.neighbours.items()):
            other = switch_of(place)
            if switch not in refs or other not in above or other in (above[switch], *silent):
                continue
            up = self.places(other, ROUTER)[0] or upward.get(other, frozenset())
            if above[other] != switch and up and place not in up:
                return place
        return None

    def _beyond_silence(self, switch: str, above: Mapping[str, str]) -> frozenset[str]:
        """Give the switches above it of which all in between are heard of by nobody."""
        heard = self.heard()
        found: set[str] = set()
        here = above[switch]
        while here in above and here not in heard:
            here = above[here]
            found.add(here)
        return frozenset(found)


def switch_of(place: str) -> str:
    """Give the switch, or the router, of a port."""
    return place.partition("/")[0]


def wire_up(roster: Roster, told: Iterable[Told], things: Mapping[str, Thing]) -> Wiring:
    """
    Read what switches told.

    Args:      things: who was seen on the network, by MAC: some are known by their address alone.
    """
    neighbours: defaultdict[str, set[str]] = defaultdict(set)
    learnt: defaultdict[str, set[str]] = defaultdict(set)
    unnamed: dict[str, str] = {}

    def ref_of(mac: str) -> str | None:
        thing = things.get(mac) or roster.recognise(mac, ())
        if thing is None:
            return None
        # The router is one device, whichever of its addresses this is.
        return ROUTER if thing.group == ROUTER else thing.ref

    for one in told:
        detail = dict(one.detail)
        if one.kind == vocabulary.LLDP_NEIGHBOUR:
            chassis = detail.get("chassis", "")
            ref = roster.neighbour(chassis, detail.get("name", "")) or ref_of(chassis)
            table = neighbours
            if ref == ROUTER and (called := detail.get("port", "")):
                number = roster.router_ports.get(called.casefold())
                if number is None:
                    unnamed[one.place] = called
                else:
                    neighbours[f"{ROUTER}/port:{number}"].add(switch_of(one.place))
        elif one.kind == vocabulary.FORWARDING:
            ref, table = ref_of(detail.get("mac", "")), learnt
        else:
            continue
        if ref is not None:
            table[one.place].add(ref)
    return Wiring(
        {place: frozenset(refs) for place, refs in neighbours.items()},
        {place: frozenset(refs) for place, refs in learnt.items()},
        unnamed,
    )
