"""Feeding through the cable: a port that reports a fault, and a switch whose watts are milliwatts."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named
from netaudit.audit.seen import REPEATS_KEPT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

# A fault is told at each look at the switch's tables, every five minutes or as seldom as the switch is asked: two rounds
# without it and it is over.
TABLES_EVERY_S: Final = 300.0


def judge_faults(case: Case) -> Iterator[Verdict]:
    """Say which port says that it can't feed what is on it."""
    asked = [switch.snmp.every_s for switch in case.site.switch.values() if switch.snmp is not None]
    lasts = REPEATS_KEPT + timedelta(seconds=2 * max([TABLES_EVERY_S, *asked]))
    told: set[str] = set()
    for said in case.seen.told(vocabulary.POWER_FAULT, lasts):
        # A port that changes between the two kinds of fault has one fault, the latest.
        if said.place not in told:
            told.add(said.place)
            status = dict(said.detail).get("status", "fault")
            yield Verdict(
                said.place, Mark.HOLDS, "fault", said.first_at, (("named", named(said.place)), ("status", status))
            )


def judge_units(case: Case) -> Iterator[Verdict]:
    """Say which switch counts its power otherwise than its standard says."""
    for said in case.seen.told(vocabulary.POWER_UNIT):
        detail = dict(said.detail)
        evidence = (
            ("named", named(said.place)),
            ("unit", detail.get("unit", "mW")),
            ("reason", detail.get("reason", "")),
        )
        yield Verdict(said.place, Mark.HOLDS, "unit", said.first_at, evidence)


POWER_FAULT: Final = Rule(
    key="power_fault",
    question="Is everything fed that is to be fed?",
    limit_source="the port's own word (RFC 3621, detection status fault or otherFault)",
    weight=Weight.SOON,
    words={
        "fault": Words(
            "{named} reports a fault while feeding ({status})",
            "Try another cable and another port; if the fault goes with the device it is the device, else look at the cable.",
        ),
    },
    judge=judge_faults,
)
POWER_UNIT: Final = Rule(
    key="power_unit",
    question="Can the switch's figures of power be trusted?",
    limit_source="RFC 3621: consumption in watts",
    weight=Weight.SOMETIME,
    words={
        "unit": Words(
            "{named} seems to count its power in {unit} and not in watts ({reason}); it is reckoned so here",
            "Compare the figure shown here with the switch's own once; acknowledge this when they agree.",
        ),
    },
    judge=judge_units,
)
