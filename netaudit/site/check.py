"""
What must hold between the tables of a plan: references lead somewhere, networks don't overlap, switches form a tree.

Each rule is a function from the plan to faults: where (a path into the TOML data) and what to say. A new rule is a function
and a line in RULES.
"""

from __future__ import annotations

from collections import defaultdict
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from netaudit.site.asked import ASKED
from netaudit.site.counted import counted
from netaudit.site.ranges import is_loopback, is_own, is_plannable
from netaudit.site.topology import ROUTER, switch_segment

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from ipaddress import IPv4Address, IPv4Network

    from netaudit.site.document import Fault
    from netaudit.site.model import Segment, Site


def find_faults(site: Site) -> list[Fault]:
    """Apply every rule; an empty list means that the plan can be trusted by all rooms."""
    return [fault for rule in RULES for fault in rule(site)]


def _known(names: Iterable[str], what: str, written: str) -> str:
    """Say what there is, what looks like the written name first."""
    listed = sorted(names)
    near = get_close_matches(written, listed, n=2)
    listed = [*near, *(name for name in listed if name not in near)]
    shown = ", ".join(listed[:6]) + (", ..." if len(listed) > 6 else "")
    return f"write one of the plan's {what}: {shown}" if listed else f"the plan has no {what}"


def _references(site: Site) -> Iterator[Fault]:
    """A name that is used must be one that is there."""
    places = {**site.room, **site.closet}
    tables: dict[str, tuple[Mapping[str, object], str]] = {
        "building": (site.building, "buildings"),
        "closet": (site.closet, "closets"),
        "at": (places, "rooms and closets"),
        "segment": (site.segment, "segments"),
        "switch": (site.switch, "switches"),
        "drop": (site.drop, "drops"),
        "uplink_drop": (site.drop, "drops"),
        "access_points": (site.access_point, "access points"),
        "recorder": (site.recorder, "recorders"),
        "kind": (site.profile, "kinds of devices"),
        "starts": (site.closet, "closets"),
        "ends": (places, "rooms and closets"),
        "may_reach": (site.segment, "segments"),
        "ssids": (site.segment, "segments"),
    }
    for table in ("closet", "room", "segment", "switch", "access_point", "drop", "device", "recorder"):
        rows = getattr(site, table)
        fields = [field for field in tables if rows and field in type(next(iter(rows.values()))).model_fields]
        for name, row in rows.items():
            for field in fields:
                used = getattr(row, field)
                known, what = tables[field]
                if used is None:
                    continue
                for index, one in enumerate(used if isinstance(used, tuple) else (used,)):
                    if one not in known:
                        path = (table, name, field, index) if isinstance(used, tuple) else (table, name, field)
                        yield path, f'"{one}" is not in the plan; {_known(known, what, str(one))}'
    if site.router.closet is not None and site.router.closet not in site.closet:
        yield (
            ("router", "closet"),
            f'"{site.router.closet}" is not in the plan; {_known(site.closet, "closets", site.router.closet)}',
        )
    for index, wall in enumerate(site.wall):
        if wall.building is not None and wall.building not in site.building:
            yield (
                ("wall", index, "building"),
                f'"{wall.building}" is not in the plan; {_known(site.building, "buildings", wall.building)}',
            )


_FED: Final = ("device", "access_point", "switch", "recorder")


def _refs(site: Site) -> Iterator[Fault]:
    """A reference with its kind (`switch:barn`) must be of a kind that fits and lead to something."""
    uses: list[tuple[tuple[str | int, ...], str, tuple[str, ...]]] = []
    uses += [(("switch", name, "uplink"), row.uplink, ("router", "switch")) for name, row in site.switch.items()]
    uses += [(("drop", name, "feeds"), row.feeds, _FED) for name, row in site.drop.items() if row.feeds]
    uses += [
        (("injector", name, "feeds"), row.feeds, ("device", "access_point")) for name, row in site.injector.items()
    ]
    for name, backup in site.backup.items():
        uses += [
            (("backup", name, "feeds", index), ref, ("router", "switch", "recorder"))
            for index, ref in enumerate(backup.feeds)
        ]
    for path, ref, kinds in uses:
        kind, _, name = ref.partition(":")
        if kind not in kinds:
            yield (
                path,
                f'"{ref}" can\'t stand here; write {" or ".join(k if k == "router" else k + ":NAME" for k in kinds)}',
            )
        elif kind != "router" and name not in getattr(site, kind):
            yield (
                path,
                f'"{ref}" is not in the plan; {_known(getattr(site, kind), kind.replace("_", " ") + " tables", name)}',
            )


def _twice(site: Site) -> Iterator[Fault]:
    """A name that stands for a room and for a closet, or for a switch and for the router, would be read both ways."""
    for name in site.room.keys() & site.closet.keys():
        yield ("room", name), "is also the name of a closet; give one of them another name"
    if ROUTER in site.switch:
        yield ("switch", ROUTER), "is the router's own name; give the switch another name"


def _port_names(site: Site) -> Iterator[Fault]:
    """A name of a router's port means one of the ports that it has."""
    names, ports = site.router.port_names, sum(group.count for group in site.router.ports)
    if len(names) > ports:
        yield ("router", "port_names"), f"names {len(names)} ports of {ports}; raise ports or shorten the list"
    for index, name in enumerate(names):
        # What it says of itself is looked up without regard to capitals, so two names that differ in them alone are one.
        if not name.strip() or name.casefold() in (one.casefold() for one in names[:index]):
            yield ("router", "port_names", index), f'"{name}" is no name of one port; write what the router calls it'


def _tree(site: Site) -> Iterator[Fault]:
    """Switches form a tree up to the router."""
    settled: set[str] = set()
    for start in site.switch:
        path: list[str] = []
        here = start
        while here not in settled:
            if here in path:
                ring = " -> ".join([*path[path.index(here) :], here])
                yield ("switch", start, "uplink"), f"leads round in a loop, {ring}; one of them must lead to the router"
                break
            path.append(here)
            kind, _, above = site.switch[here].uplink.partition(":")
            if kind != "switch" or above not in site.switch:
                break
            here = above
        settled.update(path)


def _networks(site: Site) -> Iterator[Fault]:
    """Networks are ones that a house may use, and don't overlap."""
    order = sorted(site.segment.items(), key=lambda item: (item[1].network.network_address, item[1].network.prefixlen))
    widest: tuple[str, Segment] | None = None
    for name, segment in order:
        network = segment.network
        if not is_plannable(network):
            yield (
                ("segment", name, "network"),
                f"{network} is not a private range (RFC 1918, RFC 6598) nor one for documentation; write one that is yours",
            )
        if network.prefixlen > 30:
            yield (
                ("segment", name, "network"),
                f"{network} has no room for a gateway and a device; write a /30 or larger",
            )
        if segment.network6 is not None and not is_own(segment.network6):
            yield (
                ("segment", name, "network6"),
                f"{segment.network6} is not a range of one's own (RFC 4193) nor one for documentation; write one in fc00::/7",
            )
        if widest is not None and network.overlaps(widest[1].network):
            yield (
                ("segment", name, "network"),
                f'{network} overlaps {widest[1].network} of segment "{widest[0]}"; move one of them',
            )
        if widest is None or network.broadcast_address > widest[1].network.broadcast_address:
            widest = (name, segment)


def _inside(network: IPv4Network, address: IPv4Address) -> bool:
    return address in network and address not in (network.network_address, network.broadcast_address)


def _segments(site: Site) -> Iterator[Fault]:
    """A segment's gateway and pool are its own, and a pool is leased from; VLANs and interfaces are used once."""
    vlans: dict[int, str] = {}
    interfaces: dict[str, str] = {}
    for name, segment in site.segment.items():
        if segment.gateway is not None and not _inside(segment.network, segment.gateway):
            yield ("segment", name, "gateway"), f"{segment.gateway} is outside {segment.network}"
        if segment.pool is not None:
            first, last = segment.pool
            for index, end in enumerate(segment.pool):
                if not _inside(segment.network, end):
                    yield ("segment", name, "pool", index), f"{end} is outside {segment.network}"
            if first > last:
                yield (
                    ("segment", name, "pool"),
                    f"begins at {first}, after its end {last}; write the lower address first",
                )
        if not segment.dhcp:
            # What only a server could give.
            for key, written in (("pool", segment.pool), ("guests", segment.guests)):
                if written is not None:
                    yield (
                        ("segment", name, key),
                        "needs DHCP, and dhcp = false says that there is none; leave one of them out",
                    )
        if segment.vlan is not None and vlans.setdefault(segment.vlan, name) != name:
            yield ("segment", name, "vlan"), f'{segment.vlan} is already the VLAN of segment "{vlans[segment.vlan]}"'
        if segment.interface is not None and interfaces.setdefault(segment.interface, name) != name:
            yield (
                ("segment", name, "interface"),
                f'"{segment.interface}" already serves segment "{interfaces[segment.interface]}"',
            )


def _hosts(site: Site) -> Iterator[Fault]:
    """A fixed address lies in its segment and belongs to one device; a MAC too."""
    only = next(iter(site.segment))
    addresses: dict[IPv4Address, str] = {}
    macs: dict[str, str] = {}
    for index, mac in enumerate(site.router.mac):
        if mac in macs:
            yield ("router", "mac", index), f"{mac} stands twice"
        macs[mac] = "the router"
    for table in ("switch", "access_point", "recorder", "device"):
        for name, row in getattr(site, table).items():
            place = f"{table}:{name}"
            count = getattr(row, "count", 1)
            where: tuple[str | int, ...] = (table, name, "address")
            own, on = row.address, row.segment or only
            if table == "switch":
                own, on = row.own_address, switch_segment(site, name)
                where = where if row.address is not None else (table, name, "snmp", "address")
            segment = site.segment.get(on)
            if own is not None and segment is not None:
                inside = _inside(segment.network, own)
                # An agent may be asked in any segment; whether it may at all is another rule's.
                if not inside and where[2] != "snmp":
                    yield where, f'{own} is outside {segment.network} of segment "{on}"'
                elif inside and int(own) + count - 1 >= int(segment.network.broadcast_address):
                    yield where, f"{count} addresses from {own} pass the end of {segment.network}"
                else:
                    for offset in range(count):
                        address = own + offset
                        if addresses.setdefault(address, place) != place:
                            yield where, f"{address} already belongs to {addresses[address]}"
                            break
            owned = row.mac if isinstance(row.mac, tuple) else (row.mac,) if row.mac else ()
            if len(owned) > count:
                yield (
                    (table, name, "mac"),
                    f"lists {len(owned)} addresses for {counted(count, 'device')}; raise count or shorten the list",
                )
            for index, mac in enumerate(owned):
                if mac in macs:
                    path = (table, name, "mac", index) if isinstance(row.mac, tuple) else (table, name, "mac")
                    yield path, f"{mac} already belongs to {macs[mac]}"
                macs[mac] = place


def _radios(site: Site) -> Iterator[Fault]:
    """One radio a band, with a width and a channel that the band has."""
    for name, point in site.access_point.items():
        bands = [radio.band for radio in point.radio]
        for index, radio in enumerate(point.radio):
            where = ("access_point", name, "radio", index)
            if radio.band in bands[:index]:
                yield (*where, "band"), f'"{radio.band}" stands twice; one radio a band'
            if radio.width_mhz not in _WIDTHS[radio.band]:
                yield (
                    (*where, "width"),
                    f"{radio.width_mhz:g} MHz is no channel width in {radio.band} GHz; write one of {', '.join(f'{w} MHz' for w in _WIDTHS[radio.band])}",
                )
            if radio.channel is not None and radio.channel not in _CHANNELS[radio.band]:
                yield (*where, "channel"), f"{radio.channel} is no channel of the {radio.band} GHz band"


def _signatures(site: Site) -> Iterator[Fault]:
    """A device with two signatures has a class on each pairset, 1 to 5 (IEEE 802.3 clause 145)."""
    for table in ("access_point", "device", "profile"):
        for name, row in getattr(site, table).items():
            need = row.power
            if need is not None and need.second_class is not None and need.power_class not in range(1, 6):
                yield (table, name, "power", "second_class"), "needs a class of 1 to 5 beside it, the first pairset's"


# IEEE 802.11-2020 Annex E, 20 MHz primaries: from memory; which of them are allowed is for the national regulator.
_CHANNELS: Final = {
    "2.4": frozenset(range(1, 15)),
    "5": frozenset((*range(36, 65, 4), *range(100, 145, 4), *range(149, 178, 4))),
    "6": frozenset(range(1, 234, 4)),
}
_WIDTHS: Final = {"2.4": (20, 40), "5": (20, 40, 80, 160), "6": (20, 40, 80, 160, 320)}


def _zone(site: Site) -> Iterator[Fault]:
    try:
        ZoneInfo(site.site.time_zone)
    except (KeyError, ValueError, OSError):
        yield (
            ("site", "time_zone"),
            f'"{site.site.time_zone}" is no IANA time zone; write one such as "UTC" or "Europe/Lisbon"',
        )


def _wired_only(site: Site) -> Iterator[Fault]:
    """Something wired needs something to be wired to; something wireless an access point."""
    served: defaultdict[str, str] = defaultdict(str)
    for name, device in site.device.items():
        profile = site.profile.get(device.kind)
        if profile is not None:
            served.setdefault(profile.link, name)
    if served["wired"] and not site.switch:
        yield ("device", served["wired"], "kind"), "is on a cable and the plan has no switch; add [switch.NAME]"
    if served["wifi"] and not site.access_point:
        yield (
            ("device", served["wifi"], "kind"),
            "is wireless and the plan has no access point; add [access_point.NAME]",
        )


def _alerts(site: Site) -> Iterator[Fault]:
    """A channel has one address, quiet hours that are some, and something to gather if it gathers."""
    for name, alert in site.alert.items():
        if (alert.url_env is None) == (alert.url_file is None):
            yield (
                ("alert", name),
                'needs one of url_env = "VARIABLE" and url_file = "FILE", to say where its address is',
            )
        if alert.quiet is not None and alert.quiet[0] == alert.quiet[1]:
            yield ("alert", name, "quiet"), "begins when it ends; write two times, or leave it out"
        if alert.digest_s is not None and alert.from_weight != "sometime":
            yield (
                ("alert", name, "digest"),
                'gathers what has weight sometime, which this channel is not told; write from_weight = "sometime"',
            )


def _serving(site: Site) -> Iterator[Fault]:
    """What is served beyond this box needs a token, and TLS of ours or of a proxy's."""
    serving = site.serving
    if (serving.certificate is None) != (serving.key is None):
        yield ("serving",), "has one of certificate and key; TLS needs both, each a PEM file"
    if serving.certificate is not None and serving.behind_proxy:
        yield ("serving", "behind_proxy"), "stands beside certificate; let either the proxy or the daemon do the TLS"
    beyond = serving.behind_proxy or not is_loopback(serving.host)
    if beyond and serving.token_env is None:
        yield (
            ("serving", "behind_proxy" if serving.behind_proxy else "host"),
            'others can reach the page then: write token_env = "NETAUDIT_TOKEN", and a long random text in that variable',
        )
    if beyond and not serving.behind_proxy and serving.certificate is None:
        yield (
            ("serving", "host"),
            "others on the way could read the token: write certificate and key, or behind_proxy = true",
        )


RULES: Final = (
    _references,
    _refs,
    _twice,
    _port_names,
    _tree,
    _networks,
    _segments,
    _hosts,
    _radios,
    _signatures,
    _zone,
    _wired_only,
    _alerts,
    _serving,
    *ASKED,
)
