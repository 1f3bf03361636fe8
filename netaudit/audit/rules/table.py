"""All rules, in the order in which their findings matter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.addresses import NAMES, NAMES_BACK, PLACE, SECOND_SERVER, TWICE
from netaudit.audit.rules.air import BORROWED_NAME, CHANNEL, NEIGHBOURS
from netaudit.audit.rules.clock import CLOCK
from netaudit.audit.rules.delay import SLOW
from netaudit.audit.rules.equipment import DISCARDS, ERRORS, FIRMWARE, RESTART, SPEED
from netaudit.audit.rules.isolation import BREACH, UNREACHED
from netaudit.audit.rules.looking import FLOOD, SOURCE
from netaudit.audit.rules.missing import MISSING
from netaudit.audit.rules.outgrown import BUSY_AIR, OUTGROWN
from netaudit.audit.rules.place import PORT, SEGMENT
from netaudit.audit.rules.power import POWER_FAULT, POWER_UNIT
from netaudit.audit.rules.telling import TELLING
from netaudit.audit.rules.unknown import UNKNOWN
from netaudit.audit.rules.way_out import WAY_OUT, WIFI

if TYPE_CHECKING:
    from netaudit.audit.rules.rule import Rule

RULES: Final[tuple[Rule, ...]] = (
    SOURCE,
    TELLING,
    WAY_OUT,
    MISSING,
    WIFI,
    BREACH,
    SECOND_SERVER,
    TWICE,
    FLOOD,
    OUTGROWN,
    BUSY_AIR,
    POWER_FAULT,
    UNKNOWN,
    BORROWED_NAME,
    SEGMENT,
    UNREACHED,
    SLOW,
    SPEED,
    ERRORS,
    DISCARDS,
    CLOCK,
    RESTART,
    PLACE,
    NAMES,
    NAMES_BACK,
    PORT,
    CHANNEL,
    NEIGHBOURS,
    POWER_UNIT,
    FIRMWARE,
)
