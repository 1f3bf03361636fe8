"""All checks, in the order in which a person reads a certificate: what is there, cables, addresses, reach, quality, what lasts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.acceptance.checks import (
    addressing,
    air,
    cabling,
    delay,
    lasting,
    power,
    presence,
    reach,
    uplinks,
)

if TYPE_CHECKING:
    from netaudit.audit.acceptance.check import Check

CHECKS: Final[tuple[Check, ...]] = (
    presence.PRESENCE,
    presence.UNKNOWN,
    presence.SEGMENTS,
    cabling.PORTS,
    cabling.PATCHING,
    uplinks.UPLINKS,
    cabling.SPEED,
    cabling.ERRORS,
    power.SUPPLY,
    power.CLASS,
    addressing.DUPLICATES,
    addressing.DHCP,
    addressing.POOLS,
    addressing.FIXED,
    addressing.NAMES,
    reach.ISOLATION,
    reach.RECORDER,
    reach.OUTSIDE,
    delay.LOSS,
    delay.LATENCY,
    delay.JITTER,
    air.STATIONS,
    air.AIRTIME,
    lasting.RESTART,
    lasting.ALERTS,
)
