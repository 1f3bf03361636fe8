"""All rules, in the order in which their findings matter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.addresses import NAMES, PLACE, SECOND_SERVER, TWICE
from netaudit.audit.rules.delay import SLOW
from netaudit.audit.rules.equipment import ERRORS, FIRMWARE, RESTART, SPEED
from netaudit.audit.rules.looking import FLOOD, SOURCE
from netaudit.audit.rules.missing import MISSING
from netaudit.audit.rules.outgrown import BUSY_AIR, OUTGROWN
from netaudit.audit.rules.place import PORT, SEGMENT
from netaudit.audit.rules.unknown import UNKNOWN

if TYPE_CHECKING:
    from netaudit.audit.rules.rule import Rule

RULES: Final[tuple[Rule, ...]] = (
    SOURCE,
    MISSING,
    SECOND_SERVER,
    TWICE,
    FLOOD,
    OUTGROWN,
    BUSY_AIR,
    UNKNOWN,
    SEGMENT,
    SLOW,
    SPEED,
    ERRORS,
    RESTART,
    PLACE,
    NAMES,
    PORT,
    FIRMWARE,
)
