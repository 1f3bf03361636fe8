"""The plan's side of a census: which device, segment or radio a heard address stands for."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network, IPv6Address
from typing import TYPE_CHECKING

from netaudit.site.topology import switch_segment

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.site.model import AccessPoint, Recorder, Site


@dataclass(frozen=True, slots=True)
class Planned:
    """What the plan knows a MAC or a fixed address as; `may_be_absent` says that its silence is no fault."""

    place: str
    segment: str | None
    may_be_absent: bool = False


@dataclass(frozen=True, slots=True)
class Expected:
    """
    What a census is compared with.

    `macs` and `addresses` (fixed ones, of things whose MAC the plan doesn't know) give places of the plan, `bssids` access
    points, `networks` and `vlans` segments, `fixed` those on which nobody is to lease addresses. `unnamed` is how many
    devices each segment has of which the plan knows neither: that many strangers there are nobody new.
    """

    macs: dict[str, Planned] = field(default_factory=dict)
    addresses: dict[IPv4Address, Planned] = field(default_factory=dict)
    bssids: dict[str, str] = field(default_factory=dict)
    networks: tuple[tuple[IPv4Network, str], ...] = ()
    vlans: dict[int, str] = field(default_factory=dict)
    unnamed: dict[str | None, int] = field(default_factory=dict)
    fixed: frozenset[str] = frozenset()

    def find(self, mac: str, addresses: Iterable[IPv4Address | IPv6Address]) -> Planned | None:
        """Find a heard device in the plan: by its MAC, else by a fixed address that it has."""
        known = self.macs.get(mac)
        if known is not None:
            return known
        found = (self.addresses.get(address) for address in addresses if isinstance(address, IPv4Address))
        return next((planned for planned in found if planned is not None), None)

    def segment_of(self, addresses: Iterable[IPv4Address | IPv6Address], heard_on: Iterable[str]) -> str | None:
        """Name the planned segment of a device: by one of its addresses, else by a VLAN it was heard on."""
        for address in addresses:
            for network, name in self.networks:
                if isinstance(address, IPv4Address) and address in network:
                    return name
        for segment in heard_on:
            number = segment.removeprefix("vlan ")
            if number.isdecimal() and int(number) in self.vlans:
                return self.vlans[int(number)]
        return None


def expected(site: Site) -> Expected:
    """Take out of a plan what a listener can compare with."""
    only = next(iter(site.segment)) if len(site.segment) == 1 else None
    macs: dict[str, Planned] = {}
    addresses: dict[IPv4Address, Planned] = {}
    unnamed: dict[str | None, int] = {}
    for name, segment in site.segment.items():
        addresses[segment.gateway or segment.network[1]] = Planned("router", name)
    for name, device in site.device.items():
        planned = Planned(f"device:{name}", device.segment or only, device.may_be_absent)
        for number in range(device.count):
            if number < len(device.mac):
                macs[device.mac[number]] = planned
            elif device.address is not None:
                addresses[device.address + number] = planned
            else:
                unnamed[planned.segment] = unnamed.get(planned.segment, 0) + 1
    for mac in site.router.mac:
        macs[mac] = Planned("router", None, may_be_absent=True)
    for name, switch in site.switch.items():
        # One whose address the plan leaves out may never speak for itself.
        planned = Planned(f"switch:{name}", switch_segment(site, name), may_be_absent=switch.own_address is None)
        if switch.mac is not None:
            macs[switch.mac] = planned
        elif switch.own_address is not None:
            addresses[switch.own_address] = planned
    infrastructure: list[tuple[str, AccessPoint | Recorder]] = [
        *((f"access_point:{name}", point) for name, point in site.access_point.items()),
        *((f"recorder:{name}", recorder) for name, recorder in site.recorder.items()),
    ]
    for place, thing in infrastructure:
        planned = Planned(place, thing.segment or only)
        if thing.mac is not None:
            macs[thing.mac] = planned
        elif thing.address is not None:
            addresses[thing.address] = planned
    return Expected(
        macs=macs,
        addresses=addresses,
        bssids={bssid: name for name, point in site.access_point.items() for bssid in point.bssids},
        networks=tuple((segment.network, name) for name, segment in site.segment.items()),
        vlans={segment.vlan: name for name, segment in site.segment.items() if segment.vlan is not None},
        unnamed=unnamed,
        fixed=frozenset(name for name, segment in site.segment.items() if not segment.dhcp),
    )
