"""
What a collector can say: plain frozen values, the only thing that leaves this room.

`at` is aware UTC. MACs are lower case with colons. A place is written as in the ledger: `segment:gadgets`,
`switch:barn/port:3`, `radio:attic/2.4`, `device:02:00:00:00:00:01`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime  # noqa: TC003 - readers of these values resolve their types
from enum import StrEnum
from typing import Final


class How(StrEnum):
    """By what a device was noticed."""

    ARP = "arp"
    ND = "nd"
    DHCP = "dhcp"
    MDNS = "mdns"
    LLDP = "lldp"
    HEARD = "heard"
    ECHO = "echo"
    FORWARDING = "forwarding"
    CLIENT_ID = "client_id"
    SERVICE = "service"


# Of the words that devices say of themselves, those that are no names for people: identifiers in hex, types of services.
UNSPOKEN: Final = frozenset((How.CLIENT_ID, How.SERVICE))


@dataclass(frozen=True, slots=True)
class Sighting:
    """A device was there at this moment; `address` is None when only its MAC was heard."""

    at: datetime
    segment: str
    mac: str
    address: str | None
    how: How


@dataclass(frozen=True, slots=True)
class Naming:
    """
    A device, or a server on its behalf, said its name; `origin` is the protocol that carried it.

    With an origin of `UNSPOKEN` it is no name for people: the DHCP client identifier in hex, a service that it offers.
    """

    at: datetime
    mac: str
    name: str
    origin: How


@dataclass(frozen=True, slots=True)
class Sample:
    """
    One number of one series. `kind` carries the unit (`rtt_s`, `rx_bps`, `power_w`, `busy_share`, `stations`).

    `value` None means asked and not answered: a lost echo is a sample, a probe that was never sent is none.
    """

    at: datetime
    place: str
    kind: str
    value: float | None


@dataclass(frozen=True, slots=True)
class Notice:
    """
    Something that is not a number: two claims to one address, a DHCP server, a neighbour on a port.

    `kind` is a word of the collector's manual (`dhcp_server`, `address_conflict`, `lldp_neighbour`, `firmware`);
    `detail` is sorted by key so that equal notices compare equal.
    """

    at: datetime
    place: str
    kind: str
    detail: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Health:
    """How a source is doing: one of these per attempt, good or bad; `reason` is empty when good."""

    at: datetime
    source: str
    good: bool
    reason: str


Observation = Sighting | Naming | Sample | Notice | Health
