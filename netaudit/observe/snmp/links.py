"""Which port of a switch leads to the router, and which to an access point or recorder of the plan: by MACs and names, not by guess."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from netaudit.observe.snmp.tables import Neighbour


@dataclass(frozen=True, slots=True)
class Hangs:
    """
    Who hangs on a switch, in words of the ledger.

    uplink       the link towards the router (`link:switch/barn`)
    uplink_port  the port it starts from, where the plan says so
    above        MACs of the router
    below        link (`link:access_point/hall`) -> MACs by which what is at its other end is known, or the name that it
                 gives itself by LLDP
    """

    uplink: str
    uplink_port: int | None = None
    above: frozenset[str] = frozenset()
    below: Mapping[str, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Way:
    """A link of the ledger that starts from a port; `upward` when the router is at its other end."""

    link: str
    upward: bool


def find_links(
    hangs: Hangs, forwarding: Mapping[str, frozenset[int]], neighbours: Iterable[Neighbour]
) -> dict[int, Way]:
    """
    Give the link of each port that leads to the router or to one thing of the plan. Pure.

    A neighbour's own word (LLDP) counts before what was learnt in passing. A thing behind several ports, or behind the port
    of the uplink, is on none of them as far as can be told.
    """
    said: defaultdict[str, set[int]] = defaultdict(set)
    for one in neighbours:
        for word in {one.chassis, one.name} - {""}:
            said[word].add(one.port)

    def behind(macs: Iterable[str]) -> int | None:
        listed = tuple(macs)
        for table in (said, forwarding):
            ports = {port for mac in listed for port in table.get(mac, ())}
            if ports:
                return ports.pop() if len(ports) == 1 else None
        return None

    up = hangs.uplink_port if hangs.uplink_port is not None else behind(hangs.above)
    found: dict[int, Way] = {}
    for link, macs in hangs.below.items():
        port = behind(macs)
        if port is not None and port != up:
            # Two of them behind one port means that another switch is in between.
            found[port] = Way("" if port in found else link, upward=False)
    if up is not None:
        found[up] = Way(hangs.uplink, upward=True)
    return {port: way for port, way in found.items() if way.link}
