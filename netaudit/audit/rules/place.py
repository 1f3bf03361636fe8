"""Devices on another segment or another port than the plan says."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

# Forwarding tables forget after 300 s (IEEE 802.1Q-2018, Table 8-6, recommended ageing time); three rounds of reading.
TABLE_LASTS: Final = timedelta(minutes=15)
# A port with more MACs than this leads to other switches or access points. common practice, no source
MOST_ON_EDGE: Final = 4


def judge_segment(case: Case) -> Iterator[Verdict]:
    """Say which known device is on another segment than its own."""
    for one in case.seen.present:
        # The address alone can't say so: it names its segment itself.
        if one.thing is not None and one.thing.mac == one.mac and one.thing.segment != one.segment:
            # Heard at home since it came here, it is back where it belongs, or stands on both by its nature.
            home = [other for other in case.seen.present if other.mac == one.mac and other.segment == one.thing.segment]
            if any(other.last_at > one.since for other in home):
                continue
            evidence = (("named", named(one.place)), ("segment", one.segment), ("planned", one.thing.segment))
            yield Verdict(one.place, Mark.HOLDS, "segment", one.since, evidence)


def judge_port(case: Case) -> Iterator[Verdict]:
    """Say which known device is learnt on an edge port of another switch than the plan patches it to."""
    on_port: dict[str, set[str]] = {}
    heard = case.seen.told(vocabulary.FORWARDING, TABLE_LASTS)
    for said in heard:
        mac = dict(said.detail).get("mac", "")
        on_port.setdefault(said.place, set()).add(mac)
    for said in heard:
        mac = dict(said.detail).get("mac", "")
        thing = case.seen.roster.by_mac.get(mac)
        if thing is None or thing.wifi or not thing.way or len(on_port[said.place]) > MOST_ON_EDGE:
            continue
        planned = next((place for place in thing.way if place.startswith("switch:")), None)
        switch = said.place.partition("/")[0]
        if planned is not None and switch != planned:
            evidence = (("named", named(thing.ref)), ("port", named(said.place)), ("planned", named(planned)))
            yield Verdict(thing.ref, Mark.HOLDS, "port", said.first_at, evidence)


SEGMENT: Final = Rule(
    key="wrong_segment",
    question="Is each device on its own segment?",
    limit_source="the plan's segments",
    weight=Weight.SOON,
    words={
        "segment": Words(
            "{named} is on segment {segment} and belongs on {planned}",
            "Connect it to the network name or the port of {planned}, or change the plan.",
        ),
    },
    judge=judge_segment,
)
PORT: Final = Rule(
    key="wrong_port",
    question="Is each cable where the plan has it?",
    limit_source="the plan's patching",
    weight=Weight.SOMETIME,
    words={
        "port": Words(
            "{named} is patched to {port}; the plan has it on {planned}",
            "Patch it back, or change the plan so that its figures stay true.",
        ),
    },
    judge=judge_port,
)
