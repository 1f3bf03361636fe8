"""A census as one document of plain values, ready for JSON or for tables. Times are ISO 8601 in UTC."""

from __future__ import annotations

from datetime import UTC, datetime
from ipaddress import ip_address
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from netaudit.observe.census import AIR
from netaudit.observe.census_kind import likely
from netaudit.observe.census_site import Expected
from netaudit.wire.ethernet import mac_text
from netaudit.wire.oui import is_group, is_randomised, vendor

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from ipaddress import IPv4Address, IPv6Address

    from netaudit.observe.bounded import Span
    from netaudit.observe.census import Census, Device, Link, Radio, Router
    from netaudit.observe.observation import How

Document = dict[str, Any]


def describe(census: Census, files: Sequence[Document] = (), plan: Expected | None = None) -> Document:
    """
    Give the whole census as a document.

    Args:      files what was read, one entry a file with `file`, `frames`, `snapped` and `cut`; plan labels devices with their
               planned name and segment, and lists who is missing or unknown.
    """
    known = plan or Expected()
    devices = _devices(census, known)
    document: Document = {
        "frames": sum(file["frames"] for file in files) if files else census.heard.count,
        "first": _time(census.heard.first_ns) if census.heard.count else None,
        "last": _time(census.heard.last_ns) if census.heard.count else None,
        "files": list(files),
        "devices": devices,
        "arp_pairs": [
            {"address": str(ip_address(address)), "mac": mac_text(mac), **_span(span)}
            for (address, mac), span in sorted(census.arp_pairs.items(), key=lambda item: item[0])
        ],
        "arp_kinds": dict(sorted(census.arp_kinds.items())),
        "nd_pairs": [
            {"address": str(ip_address(address)), "mac": mac_text(mac), **_span(span)}
            for (address, mac), span in sorted(census.nd_pairs.items(), key=lambda item: item[0])
        ],
        "dhcp": {
            "by_type": dict(sorted(census.dhcp_types.items())),
            "hostnames": sorted(census.hostnames),
            "fqdns": sorted(census.fqdns),
            "servers": [
                {
                    "segment": segment,
                    "address": address,
                    "mac": None if server.mac is None else mac_text(server.mac),
                    **_span(server),
                }
                for (segment, address), server in sorted(census.servers.items(), key=lambda item: item[0])
            ],
        },
        "dhcp6": {"by_type": dict(sorted(census.dhcp6_types.items()))},
        "routers": [
            _router(segment, address, router)
            for (segment, address), router in sorted(census.routers.items(), key=lambda item: item[0])
        ],
        "names": [
            {"mac": mac_text(mac), "name": name, "origin": how.value, **_span(span)}
            for (mac, name, how), span in sorted(census.names.items(), key=lambda item: item[0])
        ],
        "mdns": {"frames": census.protocols["mdns"], "names": sorted(census.mdns_names)},
        "protocols": dict(sorted(census.protocols.items())),
        "vlans": sorted(census.vlans),
        "neighbours": [_neighbour(link) for _, link in sorted(census.neighbours.items(), key=lambda item: item[0])],
        "radios": [_radio(bssid, radio, known) for bssid, radio in sorted(census.radios.items(), key=_first)],
        "broadcast": _broadcast(census),
    }
    document["faults"] = _faults(census, files, devices, plan)
    return document


def has_findings(document: Document) -> bool:
    """Does the document name something that somebody should look after?"""
    faults = document["faults"]
    kinds = ("duplicates", "dhcp_servers", "dhcp_unplanned", "flood", "missing", "unplanned", "unknown_radios")
    return any(faults[kind] for kind in kinds)


def _first(item: tuple[str, Radio]) -> str:
    return item[0]


def _time(at_ns: int) -> str | None:
    """Write a time; None for one beyond the calendar, which a damaged file may well say."""
    try:
        at = datetime.fromtimestamp(at_ns // 1_000_000_000, UTC)
    except (OverflowError, ValueError, OSError):
        return None
    return at.replace(microsecond=at_ns % 1_000_000_000 // 1_000).isoformat()


def _span(span: Span) -> Document:
    return {"first": _time(span.first_ns), "last": _time(span.last_ns), "count": span.count}


def _devices(census: Census, plan: Expected) -> list[Document]:
    addresses: dict[bytes, list[tuple[IPv4Address | IPv6Address, How, Span]]] = {}
    for (mac, address, how), span in census.addresses.items():
        addresses.setdefault(mac, []).append((ip_address(address), how, span))
    names: dict[bytes, list[tuple[str, str]]] = {}
    for mac, name, how in census.names:
        names.setdefault(mac, []).append((name, how.value))
    identifiers = _by_mac(census.identifiers)
    offers = _by_mac(census.services)
    return [
        {
            **_device(mac, device, addresses.get(mac, []), sorted(names.get(mac, [])), plan),
            "client_ids": sorted(identifiers.get(mac, [])),
            "offers": sorted(offers.get(mac, [])),
        }
        for mac, device in sorted(census.devices.items(), key=lambda item: item[0])
    ]


def _by_mac(said: Iterable[tuple[bytes, str]]) -> dict[bytes, list[str]]:
    found: dict[bytes, list[str]] = {}
    for mac, word in said:
        found.setdefault(mac, []).append(word)
    return found


def _device(
    mac: bytes,
    device: Device,
    addresses: list[tuple[IPv4Address | IPv6Address, How, Span]],
    names: list[tuple[str, str]],
    plan: Expected,
) -> Document:
    kind = likely(device.marks)
    text = mac_text(mac)
    held = [address for address, _, _ in addresses]
    planned = plan.find(text, held)
    segments = sorted(device.segments)
    return {
        "mac": text,
        "vendor": vendor(mac),
        "randomised": is_randomised(mac),
        "capturing": device.is_here,
        "impossible": is_group(mac) or not any(mac),
        "planned": None if planned is None else planned.place,
        "segment": plan.segment_of(held, segments),
        "heard_on": segments,
        "addresses": [
            {"address": str(address), "how": how.value, **_span(span)}
            for address, how, span in sorted(addresses, key=lambda found: (found[0].version, found[0].packed, found[1]))
        ],
        "names": [{"name": name, "origin": origin} for name, origin in names],
        "kind": None if kind is None else {"word": kind[0], "evidence": kind[1]},
        "first": _time(device.first_ns),
        "last": _time(device.last_ns),
        "frames": device.count,
        "octets": device.octets,
        "broadcast": device.broadcast,
        "multicast": device.multicast,
    }


def _router(segment: str, address: bytes, router: Router) -> Document:
    said = router.said
    return {
        "segment": segment,
        "address": str(ip_address(address)),
        "mac": None if router.mac is None else mac_text(router.mac),
        "lifetime_s": None if said is None else said.router_lifetime_s,
        "managed": said is not None and said.managed,
        "other": said is not None and said.other,
        "prefixes": [] if said is None else [f"{one.prefix}/{one.length}" for one in said.prefixes],
        **_span(router),
    }


def _neighbour(link: Link) -> Document:
    lldp = link.lldp
    if lldp is None:  # entered and described in one step, so this can't be seen
        return {}
    power = lldp.power
    return {
        "chassis_id": lldp.chassis_id,
        "chassis_subtype": lldp.chassis_subtype,
        "port_id": lldp.port_id,
        "port_subtype": lldp.port_subtype,
        "ttl_s": lldp.ttl_s,
        "withdrawn": lldp.ttl_s == 0,
        "system_name": lldp.system_name,
        "system_description": lldp.system_description,
        "port_description": lldp.port_description,
        "management_addresses": list(lldp.management_addresses),
        "port_vlan": lldp.port_vlan,
        "power": None
        if power is None
        else {
            "mdi_support": power.mdi_support,
            "class_field": power.class_field,
            "requested_w": power.requested_w,
            "allocated_w": power.allocated_w,
        },
        "med_power_w": None if lldp.med_power is None else lldp.med_power.power_w,
        "mac": None if link.mac is None else mac_text(link.mac),
        "heard_on": link.segment,
        **_span(link),
    }


def _radio(bssid: str, radio: Radio, plan: Expected) -> Document:
    names = sorted(radio.names.items())
    return {
        "bssid": bssid,
        "planned": plan.bssids.get(bssid),
        "vendor": vendor(bytes.fromhex(bssid.replace(":", ""))),
        "ssid": names[0][1] if names else None,
        "ssids": [{"text": text, "hex": raw.hex()} for raw, text in names],
        "channel": radio.channel,
        "signal_dbm": radio.signal_dbm,
        "stations": None if radio.load is None else radio.load[0],
        "busy_share": None if radio.load is None else radio.load[1] / 255,
        "loads": [
            {"stations": stations, "busy_raw": busy, "frames": frames}
            for (stations, busy), frames in sorted(radio.loads.items())
        ],
        "beacons": radio.count,
        "probe_responses": radio.probe_responses,
        "first": _time(radio.first_ns),
        "last": _time(radio.last_ns),
    }


def _broadcast(census: Census) -> Document:
    """Give frames and octets of each segment by whom they were for, and their mean rates over the whole capture."""
    duration_s = (census.heard.last_ns - census.heard.first_ns) / 1e9 if census.heard.count else 0.0
    found: Document = {"duration_s": max(duration_s, 0.0), "segments": {}}
    for segment, tally in sorted(census.segments.items()):
        rates = {
            f"{whom}_per_s": tally.frames[whom] / duration_s if duration_s > 0 else None
            for whom in ("broadcast", "multicast")
        }
        found["segments"][segment] = {
            "frames": dict(sorted(tally.frames.items())),
            "octets": dict(sorted(tally.octets.items())),
            **rates,
        }
    return found


def _faults(census: Census, files: Sequence[Document], devices: list[Document], plan: Expected | None) -> Document:
    duplicates, moved = _claims(census)
    servers: dict[str, list[str]] = {}
    for segment, address in census.servers:
        servers.setdefault(segment, []).append(address)
    unplanned = {
        segment
        for segment, found in servers.items()
        if plan is not None and plan.segment_of(map(ip_address, found), (segment,)) in plan.fixed
    }
    tables = {
        "devices": census.devices.dropped,
        "arp_pairs": census.arp_pairs.dropped,
        "nd_pairs": census.nd_pairs.dropped,
        "addresses": census.addresses.dropped,
        "names": census.names.dropped + census.mdns_names.dropped + census.hostnames.dropped + census.fqdns.dropped,
        "client_ids": census.identifiers.dropped,
        "services": census.services.dropped,
        "dhcp_servers": census.servers.dropped,
        "routers": census.routers.dropped,
        "neighbours": census.neighbours.dropped,
        "radios": census.radios.dropped,
    }
    return {
        "cut": [{"file": file["file"], "why": file["cut"]} for file in files if file["cut"]],
        "snapped": sum(file["snapped"] for file in files),
        "unreadable": dict(sorted(census.unreadable.items())),
        "duplicates": duplicates,
        "moved": moved,
        "dhcp_servers": [
            {"segment": segment, "addresses": sorted(found)}
            for segment, found in servers.items()
            if len(found) > 1 and segment not in unplanned
        ],
        "dhcp_unplanned": [
            {"segment": segment, "addresses": sorted(servers[segment])} for segment in sorted(unplanned)
        ],
        "flood": {table: dropped for table, dropped in tables.items() if dropped},
        "missing": [] if plan is None else _missing(devices, plan),
        "unplanned": [] if plan is None else _unplanned(devices, plan),
        "unknown_radios": [] if plan is None else sorted(bssid for bssid in census.radios if bssid not in plan.bssids),
    }


def _missing(devices: list[Document], plan: Expected) -> list[Document]:
    """List what the plan has, and was not heard, in segments of which something was heard."""
    heard = {device["mac"] for device in devices}
    listened = {device["segment"] for device in devices if device["segment"] is not None}
    return [
        {"mac": mac, "planned": planned.place}
        for mac, planned in sorted(plan.macs.items())
        if mac not in heard and not planned.may_be_absent and planned.segment in listened
    ]


def _unplanned(devices: list[Document], plan: Expected) -> list[Document]:
    """
    List the devices that the plan doesn't know, by segment, where there are more of them than it leaves unnamed.

    Who was heard only on the air is left out: neighbours are on it too.
    """
    strangers: dict[str | None, list[str]] = {}
    for device in devices:
        if device["planned"] is None and not device["impossible"] and device["heard_on"] != [AIR]:
            strangers.setdefault(device["segment"], []).append(device["mac"])
    found: list[Document] = []
    room_left = sum(plan.unnamed.values())
    # Those whose segment nobody knows come last: they may be any of the unnamed that are still unaccounted for.
    for segment, macs in sorted(strangers.items(), key=lambda item: (item[0] is None, item[0] or "")):
        room = room_left if segment is None else plan.unnamed.get(segment, 0)
        room_left -= min(room, len(macs))
        if len(macs) > room:
            found.append({"segment": segment, "room": room, "macs": macs})
    return found


def _claims(census: Census) -> tuple[list[Document], list[Document]]:
    """
    Give the addresses that several MACs claimed by ARP: at the same time (duplicates), or one after the other (moved).

    Source:    RFC 5227, 2.4: another sender address with our protocol address is a conflict. That a claim which ended
               before the next began is a move is our reading: a lease that went to another device looks like that.
    """
    claims: dict[str, list[tuple[bytes, Span]]] = {}
    for (claimed, mac), span in census.arp_pairs.items():
        if any(claimed):  # all zeros is nobody: the sender of a probe
            claims.setdefault(str(ip_address(claimed)), []).append((mac, span))
    duplicates: list[Document] = []
    moved: list[Document] = []
    for address, claimants in sorted(claims.items()):
        if len(claimants) < 2:
            continue
        in_order = sorted(claimants, key=lambda claimant: claimant[1].first_ns)
        at_once = any(one.overlaps(other) for (_, one), (_, other) in pairwise(in_order))
        entry = {"address": address, "macs": [mac_text(mac) for mac, _ in in_order]}
        (duplicates if at_once else moved).append(entry)
    return duplicates, moved
