"""Ports as the schedule has them, and what switches told in the test of who is behind each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.audit import vocabulary
from netaudit.audit.wiring import switch_of, wire_up
from netaudit.capacity.patching import UPLINK
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from netaudit.audit.acceptance.check import Trial
    from netaudit.audit.wiring import Wiring
    from netaudit.capacity.patching import Patch
    from netaudit.observe.observation import Notice


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
    def between(self) -> bool:
        """Whether it leads to another switch or to the router."""
        return self.refs == UPLINK or self.refs.startswith("switch:")


def sockets(trial: Trial) -> tuple[Socket, ...]:
    """List the ports of the schedule that something is patched to, the router's left out: few routers tell theirs."""
    return tuple(
        Socket(f"switch:{patch.switch}/port:{number}", patch)
        for patch in trial.patching.patches
        if patch.switch != ROUTER
        for number in range(patch.first_port, patch.first_port + patch.count)
    )


def wiring(trial: Trial) -> Wiring:
    """
    Give what switches told: of each neighbour and MAC the last word of each switch.

    Who was plugged in anew during the test is where it was told of last; who spoke only once is still known from then.
    """
    told: dict[tuple[str, str, str], list[Notice]] = {}
    for one in trial.evidence.notices:
        if one.kind not in (vocabulary.FORWARDING, vocabulary.LLDP_NEIGHBOUR):
            continue
        detail = dict(one.detail)
        known = told.setdefault((one.kind, switch_of(one.place), detail.get("mac") or detail.get("chassis", "")), [])
        # Notices of one reading have one time, and come in the order of time.
        if known and one.at > known[0].at:
            known.clear()
        known.append(one)
    return wire_up(trial.roster, [one for known in told.values() for one in known], trial.things)
