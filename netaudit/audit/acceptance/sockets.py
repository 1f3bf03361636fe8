"""Ports as the schedule has them, with what is patched to each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.patching import UPLINK
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from netaudit.audit.acceptance.check import Trial
    from netaudit.capacity.patching import Patch


@dataclass(frozen=True, slots=True)
class Socket:
    """One port of the schedule, and what is patched to it."""

    place: str
    patch: Patch

    @property
    def refs(self) -> str:
        """What the schedule puts here."""
        return self.patch.plug.ref

    @property
    def of_router(self) -> bool:
        """Whether it is one of the router's, which nobody asks."""
        return self.patch.switch == ROUTER

    @property
    def between(self) -> bool:
        """Whether it leads to another switch or to the router."""
        return self.refs == UPLINK or self.refs.startswith("switch:")


def sockets(trial: Trial) -> tuple[Socket, ...]:
    """List the ports of the schedule that something is patched to."""
    return tuple(
        Socket(f"{ROUTER if patch.switch == ROUTER else f'switch:{patch.switch}'}/port:{number}", patch)
        for patch in trial.patching.patches
        for number in range(patch.first_port, patch.first_port + patch.count)
    )
