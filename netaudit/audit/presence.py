"""Who is here, in words of the plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.roster import Thing


@dataclass(frozen=True, slots=True)
class Presence:
    """
    A device that is here.

    addresses  its current IPv4 addresses on the segment, the latest first
    thing      what the plan calls it, None if the plan doesn't know it
    expected   the plan has a place for it: it is known, or its segment expects so many without a name, or has guests
    """

    mac: str
    segment: str
    addresses: tuple[str, ...]
    since: datetime
    last_at: datetime
    thing: Thing | None
    expected: bool

    @property
    def address(self) -> str | None:
        """Its latest address."""
        return self.addresses[0] if self.addresses else None

    @property
    def place(self) -> str:
        """Its place in the ledger's words."""
        return self.thing.ref if self.thing else f"device:{self.mac}"
