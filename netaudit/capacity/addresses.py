"""
Addresses: how large a network must be, and whether each segment's pool lasts, where one is leased from.

Guests are counted by Little's law: what is held is what arrives times how long it is held. A lease is held until it runs out,
not until its guest leaves, so short leases make room; a device that takes a new random MAC holds one lease for each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from netaudit.capacity.line import PRACTICE, USER, Flaw, Kind, Line, Step, Verdict
from netaudit.errors import OutOfRange
from netaudit.site.topology import switch_segment

if TYPE_CHECKING:
    from collections.abc import Iterator
    from ipaddress import IPv4Address

    from netaudit.site.model import Guests, Segment, Site

DAY_S = 86400.0
POOL_REASON = f"leases bunch up, and a full pool turns the next device away without a word ({PRACTICE}: 80 %)"
# Common practice, no source: every device hears every broadcast of its segment.
DOMAIN_REASON = f"every device hears every broadcast of its segment ({PRACTICE}: 250)"
LITTLE_BASIS = "Little 1961: held = arrivals * time held"


def usable_hosts(prefix_length: int) -> int:
    """
    Addresses that hosts may have in an IPv4 network, the router included.

    Args:      prefix_length 0..32.
    Raises:    OutOfRange: another prefix length.
    Source:    RFC 950: 2^(32 - p) - 2; RFC 3021: both addresses of a /31; a /32 is one host.
    """
    if prefix_length not in range(33):
        raise OutOfRange(f"/{prefix_length}: write 0 to 32")
    size = 1 << (32 - prefix_length)
    return size - 2 if prefix_length < 31 else size


def addresses_needed(devices: float, *, growth: float, fixed: int) -> int:
    """
    Addresses that a segment needs: its devices with their growth, and the fixed ones.

    Args:      devices now; growth share over the plan's life; fixed router, switches, access points.
    Raises:    OutOfRange: a negative count.
    Source:    common practice, no source.
    """
    if devices < 0.0 or growth < 0.0 or fixed < 0:
        raise OutOfRange("neither devices nor growth nor fixed addresses can be negative")
    return math.ceil(devices * (1.0 + growth) - 1e-9) + fixed


def smallest_prefix(addresses: int) -> int:
    """
    Longest prefix whose network holds so many hosts.

    Args:      addresses for hosts, the router included; at least 1.
    Raises:    OutOfRange: none, or more than IPv4 has.
    Source:    RFC 950: 2^(32 - p) - 2; a /30 at the smallest, as a segment has a router and a device.
    """
    if not 1 <= addresses <= usable_hosts(0):
        raise OutOfRange(f"{addresses} addresses: no IPv4 network holds that")
    return next(prefix for prefix in range(30, -1, -1) if usable_hosts(prefix) >= addresses)


def leases_held(arrivals_per_day: float, *, stay_s: float, lease_s: float, identities: float = 1.0) -> float:
    """
    Leases that guests hold on average.

    Args:      arrivals_per_day of devices; stay_s of one; lease_s; identities: addresses a device takes in one visit
               (above 1 where its MAC is randomised anew). The identities share the stay, and each holds its lease to the end.
    Raises:    OutOfRange: a negative value, fewer than one identity.
    Source:    Little 1961: arrivals * (stay + identities * lease); a lease is taken as just renewed when its holder leaves.
    """
    if arrivals_per_day < 0.0 or stay_s < 0.0 or lease_s < 0.0 or identities < 1.0:
        raise OutOfRange("arrivals, stay and lease can't be negative, and a device has one identity or more")
    return arrivals_per_day * (stay_s + identities * lease_s) / DAY_S


def pool_of(segment: Segment) -> tuple[IPv4Address, IPv4Address]:
    """Give the first and last address that is leased on a segment with DHCP: as planned, else the upper half of the network."""
    if segment.pool is not None:
        return segment.pool
    network = segment.network
    return network.network_address + network.num_addresses // 2, network.broadcast_address - 1


@dataclass(slots=True)
class _Members:
    leased: float = 0.0
    fixed: int = 0
    ranges: list[tuple[str, IPv4Address, IPv4Address]] = field(default_factory=list)


def judge(site: Site) -> Verdict:
    """Judge the pool and the size of each segment of a checked plan."""
    only = next(iter(site.segment))
    members = {name: _Members() for name in site.segment}
    for table, rows in (
        ("device", site.device),
        ("access_point", site.access_point),
        ("recorder", site.recorder),
    ):
        for name, row in rows.items():
            found = members[row.segment or only]
            count = site.device[name].count if table == "device" else 1
            if row.address is None:
                found.leased += count
            else:
                found.fixed += count
                found.ranges.append((f"{table}:{name}", row.address, row.address + (count - 1)))
    for name, switch in site.switch.items():
        own = switch.own_address
        if own is not None:
            found = members[switch_segment(site, name)]
            found.fixed += 1
            found.ranges.append((f"switch:{name}", own, own))
    lines: list[Line] = []
    flaws: list[Flaw] = []
    for name, segment in site.segment.items():
        lines += _lines(site, name, segment, members[name])
        flaws += _flaws(site, name, segment, members[name])
    return Verdict(tuple(lines), flaws=tuple(flaws))


def _guest_leases(segment: Segment) -> float:
    guests = segment.guests
    if guests is None:
        return 0.0
    return leases_held(
        guests.arrivals_per_day,
        stay_s=guests.stay_s,
        lease_s=segment.lease_s,
        identities=guests.identities_per_visit,
    )


def _present(guests: Guests | None) -> float:
    """Guests present at a time, on average: Little's law without the lease."""
    return 0.0 if guests is None else guests.arrivals_per_day * guests.stay_s / DAY_S


def _lines(site: Site, name: str, segment: Segment, found: _Members) -> Iterator[Line]:
    if segment.dhcp:
        yield _pool(site, name, segment, found)
    grow = 1.0 + site.site.growth
    devices = found.leased + found.fixed + _present(segment.guests)
    leased, fixed = (found.leased, found.fixed) if segment.dhcp else (0.0, found.leased + found.fixed)
    yield Line(
        Kind.DEVICE_COUNT,
        f"segment:{name}",
        "devices",
        supply=site.ceilings.devices_per_segment,
        ceiling=1.0,
        ceiling_reason=DOMAIN_REASON,
        planned=devices,
        grown=devices * grow,
        basis=USER,
        steps=(
            Step("with a lease", leased, "devices", USER),
            Step("with a fixed address", fixed, "devices", USER),
            Step("guests present, on average", _present(segment.guests), "devices", LITTLE_BASIS),
        ),
    )


def _pool(site: Site, name: str, segment: Segment, found: _Members) -> Line:
    first, last = pool_of(segment)
    guests = _guest_leases(segment)
    grow = 1.0 + site.site.growth
    # The router has one of the fixed addresses.
    needed = addresses_needed(found.leased + guests, growth=site.site.growth, fixed=found.fixed + 1)
    busy = (
        (
            Step(
                "leases that guests stay under 99.9 % of the time",
                guests + 3.09 * math.sqrt(guests),
                "addresses",
                _BUSY,
            ),
        )
        if guests
        else ()
    )
    return Line(
        Kind.ADDRESSES,
        f"segment:{name}",
        "addresses",
        supply=int(last) - int(first) + 1,
        ceiling=site.ceilings.addresses,
        ceiling_reason=POOL_REASON,
        planned=found.leased + guests,
        grown=(found.leased + guests) * grow,
        basis=LITTLE_BASIS if guests else USER,
        steps=(
            Step("devices with a lease", found.leased, "addresses", USER),
            Step("leases held by guests, on average", guests, "addresses", LITTLE_BASIS),
            *busy,
            Step("fixed addresses, the router's included", found.fixed + 1, "addresses", USER),
            Step("addresses needed with growth", needed, "addresses", PRACTICE),
            Step("smallest network that holds them, prefix length", smallest_prefix(needed), "bits", "RFC 950"),
        ),
        inputs=(("network", str(segment.network)), ("pool", f"{first} to {last}")),
    )


# A mean of many independent holders is Poisson (M/G/infinity), which is near normal: 3.09 deviations.
_BUSY = "normal approximation of the Poisson law of an M/G/infinity system"


def _flaws(site: Site, name: str, segment: Segment, found: _Members) -> Iterator[Flaw]:
    first, last = pool_of(segment)
    place = f"segment:{name}"
    gateway = segment.gateway or segment.network.network_address + 1
    for ref, low, high in ((ROUTER_REF, gateway, gateway), *found.ranges):
        if segment.dhcp and low <= last and high >= first:
            whose = "the router's" if ref == ROUTER_REF else "its fixed"
            yield Flaw(
                "fixed_in_pool",
                ref if ref != ROUTER_REF else place,
                f"{whose} address {low} lies inside the pool {first} to {last} of {name}: it may be leased to another",
                "move the pool or the address, so that fixed addresses stand outside the pool",
                PRACTICE,
            )
        if ref != ROUTER_REF and low <= gateway <= high:
            yield Flaw(
                "gateway_taken",
                ref,
                f"has {gateway}, which is the router's address in {name}",
                "give it another address, or name the router's with gateway",
                USER,
            )
    if segment.network.prefixlen < 31:
        needed = addresses_needed(found.leased + _guest_leases(segment), growth=site.site.growth, fixed=found.fixed + 1)
        if needed > usable_hosts(segment.network.prefixlen):
            yield Flaw(
                "network_too_small",
                place,
                f"{segment.network} holds {usable_hosts(segment.network.prefixlen)} hosts and {needed} are needed with growth",
                f"plan a /{smallest_prefix(needed)}",
                "RFC 950",
            )


ROUTER_REF = "the router"
