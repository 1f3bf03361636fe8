"""Who plays in the demo: each planned device as an individual with a MAC and an address, the same at every call."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

from netaudit.site.topology import follow

if TYPE_CHECKING:
    from netaudit.site.model import Profile, Segment, Site


@dataclass(frozen=True, slots=True)
class Actor:
    """One device of the demo; `access_point` None when it is on a cable."""

    name: str
    label: str
    kind: str
    profile: Profile
    mac: str
    address: IPv4Address
    segment: str
    access_point: str | None
    may_be_absent: bool


def first_leased(segment: Segment) -> IPv4Address:
    """Give the first address that the segment's server leases; the middle of the network when the plan is silent."""
    network = segment.network
    return segment.pool[0] if segment.pool else network[network.num_addresses // 2]


def make_cast(site: Site) -> tuple[Actor, ...]:
    """
    Give every device of the plan a body: the plan's own MAC and address where it names them, else invented ones.

    Invented MACs are locally administered (IEEE 802, 8.2.2: second-lowest bit of the first octet set).
    """
    topology = follow(site)
    serving: dict[str, list[str]] = {}
    for (point, _), shares in topology.stations.items():
        for share in shares:
            serving.setdefault(share.name, []).append(point)
    leased = {name: int(first_leased(segment)) for name, segment in site.segment.items()}
    cast: list[Actor] = []
    for number, (name, device) in enumerate(site.device.items()):
        segment = topology.segment_of[name]
        points = serving.get(name, [])
        for index in range(device.count):
            if device.address is not None:
                address = device.address + index
            else:
                address = IPv4Address(leased[segment])
                leased[segment] += 1
            mac = device.mac[index] if index < len(device.mac) else f"02:00:5e:d0:{number:02x}:{index:02x}"
            cast.append(
                Actor(
                    name=name,
                    label=name if device.count == 1 else f"{name}-{index + 1}",
                    kind=device.kind,
                    profile=site.profile[device.kind],
                    mac=mac,
                    address=address,
                    segment=segment,
                    access_point=points[index % len(points)] if points else None,
                    may_be_absent=device.may_be_absent,
                )
            )
    return tuple(cast)
