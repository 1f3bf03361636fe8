"""Power over Ethernet: watts of each supply, and the class that each port granted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.checks.cabling import ASK, LOOK, MUTE
from netaudit.audit.acceptance.sockets import sockets
from netaudit.audit.rules.rule import named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial


def judge_supply(trial: Trial) -> Iterator[Item]:
    """Ask whether the most that a supply delivered lies under the share of it that we plan to use."""
    for name, switch in trial.site.switch.items():
        if switch.supply_w <= 0:
            continue
        place, told = f"switch:{name}", trial.answered(f"switch:{name}", vocabulary.POWER_W)
        limit_w = trial.site.ceilings.power * switch.supply_w
        if not told:
            yield untested(place, f"its switch told no watts; {limit_w:g} W of {switch.supply_w:g} W may be used", ASK)
            continue
        said = f"{max(told):.1f} W at most in {len(told)} readings; {limit_w:g} W of {switch.supply_w:g} W may be used"
        if max(told) <= limit_w:
            yield passed(place, said)
        else:
            yield failed(place, said, "Move a powered device to another supply, or replace the supply by a larger one.")


def judge_class(trial: Trial) -> Iterator[Item]:
    """Ask whether a port granted no more than the plan reserved for what is on it."""
    for socket in sockets(trial):
        planned = socket.patch.plug.power_class
        told = trial.answered(socket.place, words.POWER_CLASS)
        if planned is None:
            continue
        if socket.of_router:
            yield untested(socket.place, f"class {planned} planned; {MUTE}", LOOK)
        elif not told:
            yield untested(socket.place, f"class {planned} planned; its switch told none", ASK)
        elif max(told) <= (planned or 3):
            # Class 0 reserves as much as class 3 (IEEE 802.3-2018, Table 33-18).
            yield passed(socket.place, f"class {max(told):g}, planned {planned}")
        else:
            yield failed(
                socket.place,
                f"class {max(told):g} granted, planned {planned} for {named(socket.refs)}",
                "See what is plugged in there; write its class into the plan and size the supply again.",
            )


SUPPLY: Final = Check("power", "Are the supplies under their ceiling?", "the plan's ceiling; RFC 3621", judge_supply)
CLASS: Final = Check(
    "power_class", "Does each port grant the planned class?", "IEEE 802.3-2018 Tables 33-18, 145-26", judge_class
)
