"""Devices on another segment or another port than the plan says."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named
from netaudit.audit.wiring import switch_of, wire_up

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from netaudit.audit.rules.rule import Case

# Forwarding tables forget after 300 s (IEEE 802.1Q-2018, Table 8-6, recommended ageing time); three rounds of reading.
TABLE_LASTS: Final = timedelta(minutes=15)
# A port with more MACs than this leads to other switches or access points. common practice, no source
MOST_ON_EDGE: Final = 4


def judge_segment(case: Case) -> Iterator[Verdict]:
    """Say which known device is on another segment than its own."""
    for one in case.seen.present:
        # The address alone can't say so: it names its segment itself.
        if one.thing is None or one.thing.mac != one.mac:
            continue
        if one.thing.strays(one.segment, addressed=bool(one.addresses)):
            # Heard at home since it came here, it is back where it belongs, or stands on both by its nature.
            home = [other for other in case.seen.present if other.mac == one.mac and other.segment == one.thing.segment]
            if any(other.last_at > one.since for other in home):
                continue
            evidence = (("named", named(one.place)), ("segment", one.segment), ("planned", one.thing.segment))
            yield Verdict(one.place, Mark.HOLDS, "segment", one.since, evidence)


def judge_port(case: Case) -> Iterator[Verdict]:
    """Say which known device is learnt on an edge port of another switch than the plan patches it to, and which switch hangs so."""
    tables = case.seen.told(vocabulary.FORWARDING, TABLE_LASTS)
    neighbours = case.seen.told(vocabulary.LLDP_NEIGHBOUR, TABLE_LASTS)
    seen = {one.mac: one.thing for one in case.seen.present if one.thing is not None}
    wiring = wire_up(case.seen.roster, (*tables, *neighbours), seen)
    # Who is learnt on the way to another switch is not patched to this one.
    leading = wiring.leading()
    on_port: dict[str, dict[str, datetime]] = {}
    for said in tables:
        on_port.setdefault(said.place, {}).setdefault(dict(said.detail).get("mac", ""), said.first_at)
    for place, learnt in on_port.items():
        for mac, since in learnt.items():
            thing = case.seen.roster.by_mac.get(mac)
            if thing is None or thing.wifi or place in leading or len(learnt) > MOST_ON_EDGE:
                continue
            planned = next((one for one in thing.way if one.startswith("switch:")), switch_of(place))
            if planned != switch_of(place):
                yield _patched(thing.ref, place, planned, since)
    above = {f"switch:{name}": switch.uplink for name, switch in case.site.switch.items()}
    for switch, planned in above.items():
        found = wiring.astray(switch, above, {})
        if found is not None:
            yield _patched(switch, found, planned, min(one.first_at for one in neighbours if one.place == found))


def _patched(ref: str, place: str, planned: str, since: datetime) -> Verdict:
    evidence = (("named", named(ref)), ("port", named(place)), ("planned", named(planned)))
    return Verdict(ref, Mark.HOLDS, "port", since, evidence)


SEGMENT: Final = Rule(
    key="wrong_segment",
    question="Is each device on its own network?",
    limit_source="the plan's segments",
    weight=Weight.SOON,
    words={
        "segment": Words(
            "{named} is on network {segment} and belongs on {planned}",
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
