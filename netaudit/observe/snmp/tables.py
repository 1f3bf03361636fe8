"""What was read of one switch, as plain values: what the tables' readers give and the judgement of links takes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interface:
    """
    One interface (IF-MIB). Counters are None where the agent has none.

    bits      size of the octet counters, 32 or 64
    speed_bps 0 when the agent doesn't say
    physical  has a socket: no VLAN, no loopback, no aggregate
    aggregate several sockets as one link (IEEE 802.1AX)
    reset     ifCounterDiscontinuityTime: another value says that counters began anew
    """

    index: int
    name: str
    mac: str
    physical: bool
    aggregate: bool
    up: bool
    speed_bps: float
    bits: int
    octets_in: int | None
    octets_out: int | None
    frames_in: int | None
    frames_out: int | None
    errors: tuple[int | None, int | None]
    discards: tuple[int | None, int | None]
    reset: int


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Who says by LLDP that it is plugged into a port; `chassis` is a MAC where it names itself by one, else its text."""

    port: int
    chassis: str
    name: str
    port_name: str


@dataclass(frozen=True, slots=True)
class PoweredPort:
    """
    One port of a power supply (RFC 3621); `number` is its own count, not an ifIndex.

    power_class is None unless it delivers.
    """

    group: int
    number: int
    enabled: bool
    status: str
    power_class: int | None


@dataclass(frozen=True, slots=True)
class PowerSupply:
    """One supply as the agent says it, before anybody asked whether in watts or milliwatts."""

    group: int
    rating: int
    consumption: int


@dataclass(frozen=True, slots=True)
class System:
    """Who the agent is and how long it has run [hundredths of a second, modulo 2^32]."""

    description: str
    name: str
    uptime_ticks: int
    firmware: str
