"""A device as it was known at some moment: by which addresses and names, where, and what the plan calls it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime  # noqa: TC003 - pydantic resolves the fields' types
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

from netaudit.audit.roster import enrol
from netaudit.observe.observation import UNSPOKEN, How

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.audit.roster import Roster
    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class Known:
    """
    One device.

    names      what it said of itself, with what carried it: names, its DHCP client identifier, services that it offers
    addresses  its IPv4 addresses, the latest first
    segment    the plan's segment that it was last on; empty when it was on none of the plan's
    kind       what it seems to be, or is by the plan; empty when nobody knows
    ref        what the plan calls it; empty when the plan doesn't know it
    room       where the plan has it
    needs      what the plan says that it needs when it moves
    """

    mac: str
    names: tuple[tuple[str, str], ...] = ()
    addresses: tuple[str, ...] = ()
    segment: str = ""
    kind: str = ""
    ref: str = ""
    room: str = ""
    needs: str = ""
    first_at: datetime | None = None
    last_at: datetime | None = None

    @property
    def spoken_names(self) -> tuple[str, ...]:
        """Its names for people."""
        return tuple(name for name, origin in self.names if origin not in UNSPOKEN)

    @property
    def client_ids(self) -> frozenset[str]:
        """The identifiers with which it asked for its address, in hex."""
        return frozenset(name for name, origin in self.names if origin == How.CLIENT_ID)

    @property
    def offers(self) -> frozenset[str]:
        """The types of the services that it was heard to offer by mDNS."""
        return frozenset(name for name, origin in self.names if origin == How.SERVICE)

    @property
    def title(self) -> str:
        """The shortest word by which people know it: its place in the plan, a name, its MAC."""
        if self.ref:
            return self.ref.partition(":")[2] or self.ref
        return next(iter(self.spoken_names), self.mac)


def is_made_up(mac: str) -> bool:
    """
    Say whether a MAC was made up (locally administered): by a phone for each network, a virtual machine, or by hand.

    Source:    IEEE 802-2014, 8.4: bit 1 of the first octet.
    """
    return bool(int(mac[:2], 16) & 2)


def known_in(evidence: Evidence, site: Site, kinds: Mapping[str, str] | None = None) -> tuple[Known, ...]:
    """
    List the devices that evidence shows, by MAC.

    Args:      kinds: what each MAC seems to be, where somebody found out.
    """
    roster = enrol(site)
    addresses: defaultdict[str, dict[str, None]] = defaultdict(dict)
    names: defaultdict[str, set[tuple[str, str]]] = defaultdict(set)
    segment: dict[str, str] = {}
    span: dict[str, tuple[datetime, datetime]] = {}
    # A switch says its name (LLDP) on every port, whichever segment that is of: it is where it has an address.
    switches = {mac for mac, thing in roster.by_mac.items() if thing.group.startswith("switch:")}
    radios = _radios(site)
    # On the air an access point is on no segment in particular, so its cable speaks first.
    for seen in sorted(evidence.sightings, key=lambda one: (one.mac not in radios, one.at), reverse=True):
        if seen.address is None and seen.mac in switches:
            continue
        mac = radios.get(seen.mac, seen.mac)
        segment.setdefault(mac, seen.segment if seen.segment in site.segment else "")
        if seen.address is not None and ":" not in seen.address:
            addresses[mac].setdefault(seen.address)
        first, last = span.get(mac, (seen.at, seen.at))
        span[mac] = min(first, seen.at), max(last, seen.at)
    for naming in evidence.namings:
        # The store keeps what was ever said: a service that fell silent before counts as offered no more.
        if naming.origin is not How.SERVICE or naming.at >= evidence.since:
            names[radios.get(naming.mac, naming.mac)].add((naming.name, naming.origin.value))
    return tuple(
        _known(
            mac,
            roster,
            site,
            names=tuple(sorted(names.get(mac, ()), key=_by_origin)),
            addresses=tuple(addresses[mac]),
            segment=segment[mac],
            kind=(kinds or {}).get(mac, ""),
            span=span[mac],
        )
        for mac in sorted(segment)
    )


def _radios(site: Site) -> dict[str, str]:
    """Give for each planned BSSID the MAC by which its access point is known: its own, else the first BSSID."""
    return {
        bssid: point.mac or point.bssids[0]
        for point in site.access_point.values()
        for bssid in point.bssids
        if bssid != point.mac
    }


def _by_origin(name: tuple[str, str]) -> tuple[bool, str, str]:
    """Put the name that a device gives when it asks for an address first: it is the one that people set."""
    return name[1] != How.DHCP.value, name[0].lower(), name[1]


def _known(
    mac: str,
    roster: Roster,
    site: Site,
    *,
    names: tuple[tuple[str, str], ...],
    addresses: tuple[str, ...],
    segment: str,
    kind: str,
    span: tuple[datetime, datetime],
) -> Known:
    thing = roster.recognise(mac, addresses)
    room, planned, needs = where_planned(site, thing.group) if thing else ("", "", "")
    return Known(
        mac=mac,
        names=names,
        addresses=addresses,
        segment=segment,
        kind=planned or kind,
        ref=thing.ref if thing else "",
        room=room,
        needs=needs,
        first_at=span[0],
        last_at=span[1],
    )


def joined_by_name(roster: Roster, site: Site, device: Known) -> str | None:
    """
    Give the network name by which a device of before comes back by the plan; None when by cable, or nobody knows.

    One that the plan only counts was on the network of those.
    """
    thing = roster.recognise(device.mac, ())
    if thing is not None:
        return site.segment[thing.segment].ssid if thing.wifi else None
    room = roster.rooms.get(device.segment)
    return site.segment[device.segment].ssid if room is not None and (room.open_house or room.wifi) else None


def to_set(site: Site, segment: str, planned: str | None, was: str, *, leased: bool) -> str:
    """
    Say which address somebody must set in a device where the plan has no DHCP; empty where it gets or keeps one by itself.

    Args:      planned: its fixed address; was: its address before; leased: somebody leased addresses before, so it may be a lease.
    """
    found = site.segment.get(segment)
    if found is None or found.dhcp:
        return ""
    wanted = planned or (was if was and IPv4Address(was) in found.network else "")
    if wanted and wanted == was and not leased:
        return ""
    return wanted or f"an address of {found.network}"


def where_planned(site: Site, group: str) -> tuple[str, str, str]:
    """Give room, kind and needs that the plan has for a thing, each empty when it has none."""
    table, _, name = group.partition(":")
    if table == "device" and name in site.device:
        device = site.device[name]
        return device.at or "", device.kind, device.needs
    if table == "access_point" and name in site.access_point:
        return site.access_point[name].at or "", "access point", ""
    if table == "recorder" and name in site.recorder:
        return site.recorder[name].closet or "", "recorder", ""
    return "", "router" if table == "router" else "", ""
