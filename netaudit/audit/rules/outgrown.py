"""More in use than we planned to use of what was bought: access points, pools, supplies, ports, links, the air."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, amount, named
from netaudit.capacity.line import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case
    from netaudit.audit.standing import Standing

# An open finding ends only when the use has fallen below this part of its limit. common practice, no source: 10 % is more
# than the use of a house changes from one minute to the next.
LOWER_MARK: Final = 0.9

# The kinds of each rule, with the words that go with each.
_BOUGHT: Final = {
    Kind.STATIONS: "stations",
    Kind.DEVICE_COUNT: "devices",
    Kind.ADDRESSES: "addresses",
    Kind.POWER: "power",
    Kind.PORTS: "ports",
    Kind.LINK_UP: "link",
    Kind.LINK_DOWN: "link",
    Kind.ROUTED: "routed",
    Kind.RECORDING: "recording",
    Kind.WRITE: "write",
}
_AIR: Final = {Kind.AIRTIME: "airtime"}


def judge_bought(case: Case) -> Iterator[Verdict]:
    """Compare what is in use with the planned share of what is there."""
    return _judge(case, _BOUGHT)


def judge_air(case: Case) -> Iterator[Verdict]:
    """Compare how busy the air is with what was planned."""
    return _judge(case, _AIR, "radio:")


def _judge(case: Case, kinds: dict[Kind, str], within: str = "") -> Iterator[Verdict]:
    """Judge the lines of these kinds at places that begin so: what a channel's line says its busiest radio has said."""
    at_place: defaultdict[str, list[Standing]] = defaultdict(list)
    for standing in case.standings:
        line = standing.line
        if line.kind in kinds and line.supply != float("inf") and line.place.startswith(within):
            at_place[line.place].append(standing)
    for place, standings in at_place.items():
        observed = [standing for standing in standings if standing.observed is not None]
        if len(observed) < len(standings):
            # What nobody measures now keeps an open finding as it is; a measured one beside it may still speak.
            yield Verdict(place, Mark.BLIND)
        high = [standing for standing in observed if _use(standing) > LOWER_MARK]
        if high:
            yield _verdict(place, sorted(high, key=_use, reverse=True), kinds)


def _use(standing: Standing) -> float:
    """Give what is in use as a share of what we planned to use; of nothing planned, anything is too much."""
    latest = standing.observed.latest if standing.observed else 0.0
    if standing.line.usable <= 0:
        return float("inf") if latest > 0 else 0.0
    return latest / standing.line.usable


def _verdict(place: str, high: list[Standing], kinds: dict[Kind, str]) -> Verdict:
    worst = high[0]
    line, observed = worst.line, worst.observed
    mark = Mark.HOLDS if _use(worst) > 1.0 + 1e-9 else Mark.NEAR
    first = (
        ("named", named(place)),
        ("in_use", amount(observed.latest, line.unit) if observed else ""),
        ("planned_at_most", amount(line.usable, line.unit, bare=True)),
        ("there_is", amount(line.supply, line.unit, bare=True)),
        ("state", worst.observed_state),
        ("seen_by", observed.evidence if observed else ""),
        ("ceiling", line.ceiling_reason),
    )
    more = tuple(
        (
            f"also_{one.line.kind}",
            f"{amount(one.observed.latest, one.line.unit)}, {amount(one.line.usable, one.line.unit, bare=True)} planned",
        )
        for one in high[1:]
        if one.observed is not None
    )
    return Verdict(place, mark, kinds[line.kind], observed.at if observed else None, (*first, *more))


_COUNT = " ({in_use} in use, {planned_at_most} planned at most, {there_is} possible)"

OUTGROWN: Final = Rule(
    key="outgrown",
    question="Has this outgrown what we bought?",
    limit_source="the ceiling of the line, from the plan",
    weight=Weight.SOON,
    words={
        "stations": Words(
            "More devices than the access points were bought for: {named}" + _COUNT,
            "Move devices to another access point or to cable, or add an access point; see what `netaudit dimension` says.",
        ),
        "devices": Words(
            "More devices than one network was planned for: {named}" + _COUNT,
            "Split the network in two, or look for devices that don't belong there.",
        ),
        "addresses": Words(
            "The addresses that the router may lease are running out: {named}" + _COUNT,
            "Make the pool larger or the lease shorter.",
        ),
        "power": Words(
            "The switch feeds more than we planned to ask of its power supply: {named}" + _COUNT,
            "Move a fed device to another switch or to an injector of its own, or buy a larger supply.",
        ),
        "ports": Words(
            "The switch has fewer spare ports than planned: {named}" + _COUNT,
            "Free a port or plan a larger switch before something must be added.",
        ),
        "link": Words(
            "A link carries more than planned: {named}" + _COUNT,
            "See who sends so much; then plan a faster link or a second one.",
        ),
        "routed": Words(
            "The router forwards more than planned: {named}" + _COUNT,
            "Keep devices that talk much to each other in one network, or plan a faster router.",
        ),
        "recording": Words(
            "The recorder won't keep recordings for as long as wanted: {named}" + _COUNT,
            "Add disk space, record less, or keep it for a shorter time.",
        ),
        "write": Words(
            "The recorder writes more than planned: {named}" + _COUNT,
            "Lower the cameras' bit rate or move some to a second recorder.",
        ),
    },
    judge=judge_bought,
)

BUSY_AIR: Final = Rule(
    key="busy_air",
    question="Is there still time on the air?",
    limit_source="the ceiling of the line, from the plan",
    weight=Weight.SOON,
    words={
        "airtime": Words(
            "The air is busier than planned: {named}" + _COUNT,
            "Look for a slow or distant device, move devices to 5 GHz or cable, or take another channel.",
        ),
    },
    judge=judge_air,
)
