"""The plan's side of a census: which device, segment or radio a heard address stands for."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network, IPv6Address
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class Planned:
    """What the plan knows a MAC as; `may_be_absent` says that its silence is no fault."""

    place: str
    may_be_absent: bool


@dataclass(frozen=True, slots=True)
class Expected:
    """What a census is compared with: MACs with their place in the plan, BSSIDs, networks and VLANs of segments."""

    macs: dict[str, Planned] = field(default_factory=dict)
    bssids: dict[str, str] = field(default_factory=dict)
    networks: tuple[tuple[IPv4Network, str], ...] = ()
    vlans: dict[int, str] = field(default_factory=dict)

    def segment_of(self, addresses: list[IPv4Address | IPv6Address], heard_on: list[str]) -> str | None:
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
    macs: dict[str, Planned] = {}
    for name, device in site.device.items():
        for mac in device.mac:
            macs[mac] = Planned(f"device:{name}", device.may_be_absent)
    for name, point in site.access_point.items():
        if point.mac is not None:
            macs[point.mac] = Planned(f"access_point:{name}", may_be_absent=False)
    for name, recorder in site.recorder.items():
        if recorder.mac is not None:
            macs[recorder.mac] = Planned(f"recorder:{name}", may_be_absent=False)
    return Expected(
        macs=macs,
        bssids={bssid: name for name, point in site.access_point.items() for bssid in point.bssids},
        networks=tuple((segment.network, name) for name, segment in site.segment.items()),
        vlans={segment.vlan: name for name, segment in site.segment.items() if segment.vlan is not None},
    )
