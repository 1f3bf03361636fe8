"""What switches told during a test of who is behind each port, the last word of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.audit import vocabulary
from netaudit.audit.wiring import switch_of, wire_up

if TYPE_CHECKING:
    from netaudit.audit.acceptance.check import Trial
    from netaudit.audit.wiring import Wiring
    from netaudit.observe.observation import Notice


def last_wiring(trial: Trial) -> Wiring:
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
