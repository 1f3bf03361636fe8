"""What the responder plays: hosts with their quirks, and what it counted while it played them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ipaddress import IPv4Network, IPv6Network


@dataclass(frozen=True, slots=True)
class Pool:
    """What a played DHCP server gives: `count` addresses from `first` on (no address twice while it has others)."""

    first: str
    count: int
    mask: str
    lease_s: int = 3600
    router: str | None = None
    dns: tuple[str, ...] = ()
    domain: str | None = None


@dataclass(frozen=True, slots=True)
class Host:
    """
    One played host.

    `delay_s` passes between a question's arrival (kernel stamp) and the answer, plus evenly 0..`jitter_s`. `loss` is the
    share of questions left unanswered, `duplicate` the share of answers sent twice; both are drawn host by host from the
    segment's seed, so that the n-th question to a host has the same fate in every run. A host that is not `present`
    says nothing. `silent` names kinds of question that it never answers: arp, echo, nd, echo6, dhcp, mdns, dns, tcp.
    """

    mac: str
    address: str | None = None
    address6: str | None = None
    delay_s: float = 0.0
    jitter_s: float = 0.0
    loss: float = 0.0
    duplicate: float = 0.0
    present: bool = True
    silent: tuple[str, ...] = ()
    name: str | None = None  # answers mDNS for NAME.local
    services: tuple[str, ...] = ()  # mDNS service types, as _ipp._tcp
    ports: tuple[int, ...] = ()  # TCP ports that answer SYN with SYN-ACK; all others are refused
    zone: tuple[tuple[str, str], ...] = ()  # answers DNS on UDP 53: name -> IPv4 address, NXDOMAIN for other names
    pool: Pool | None = None  # is a DHCP server

    def but(self, **changes: Any) -> Host:
        """Give the same host with other quirks."""
        return replace(self, **changes)

    def as_json(self) -> dict[str, Any]:
        """Give the host as the responder reads it."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Counts:
    """
    What a responder did since it started.

    `asked` and `answered` are counted by kind (arp, echo, nd, echo6, dhcp, mdns, dns, tcp). An answered question that
    was held back by `loss` counts as lost. `drops` are frames that the kernel could not hand over: they make a test
    worthless. `unsent` are answers that the kernel refused to take.
    """

    frames: int
    asked: dict[str, int]
    answered: dict[str, int]
    lost: int
    duplicated: int
    unsent: int
    drops: int
    leases: dict[str, str]
    asked_of: dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True)
class Question:
    """One question that arrived for an address on the segment, whether or not anyone is there: kernel stamp [ns]."""

    at_ns: int
    kind: str
    address: str


def crowd(network: IPv4Network, count: int, *, skip: int = 1, network6: IPv6Network | None = None) -> list[Host]:
    """
    Make `count` hosts in the network's first addresses after `skip` of them, each with its own MAC.

    Args:      network6: its interface identifiers follow the IPv4 host part, so the two can be matched by eye.
    """
    base = int(network.network_address) + 1 + skip
    if base + count > int(network.broadcast_address):
        raise ValueError(f"{network} has no room for {count} hosts after {skip} addresses")
    hosts = []
    for value in range(base, base + count):
        octets = value.to_bytes(4, "big")
        mac = "02:00:" + octets.hex(":")
        address6 = str(network6[value - int(network.network_address)]) if network6 else None
        hosts.append(Host(mac=mac, address=".".join(map(str, octets)), address6=address6))
    return hosts
