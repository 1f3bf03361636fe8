"""
Where the fault is when "the internet" doesn't work: beyond the router, inside the house, or in the air.

The way out is tried from this box, which is on a cable. So a way out that fails says nothing of Wi-Fi; and Wi-Fi is at fault when those
on the air lose their echoes while the router and those on cables answer.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from netaudit.audit.rules.rule import Case
    from netaudit.store.records import Reading

WAN: Final = "link:wan"
SITE: Final = "site"
# A round of the way out may be late, and one may be left out. common practice, no source
ROUNDS: Final = 3
# Who was asked lately: ten echoes at the default of one a minute. Fewer than five tell nothing, and half of them lost is a
# link on which nothing works: TCP all but stands still from a few percent on. common practice, no source
RECENT: Final = timedelta(minutes=10)
FEWEST_ECHOES: Final = 5
BAD_LOSS: Final = 0.5
# Three on the air at once, and half of all there, are the air; fewer are themselves. common practice, no source
FEWEST_FOR_CAUSE: Final = 3
BAD_SHARE: Final = 0.5
LOWER_SHARE: Final = 0.25


def judge_out(case: Case) -> Iterator[Verdict]:
    """Say that nothing outside can be reached, and on which side of the router the fault is."""
    series = case.seen.series.get((WAN, vocabulary.OUTSIDE_SHARE))
    within_s = ROUNDS * case.site.outside.every_s + case.site.looking.judge_every_s
    share = series.fresh(case.now, within_s) if series is not None else None
    if series is None or share is None:
        if series is not None or (case.site.outside.hosts and case.is_open("way_out", WAN)):
            yield Verdict(WAN, Mark.BLIND)
        return
    # One host that doesn't open is that host's matter: the way to the others works.
    if share > 0:
        return
    began = series.readings[-1].at
    for one in reversed(series.readings):
        if one.value is None or one.value > 0:
            break
        began = one.at
    words, gateway = _side(case, began)
    evidence = (("gateway", gateway), ("wifi", _air_says(case)))
    yield Verdict(WAN, Mark.HOLDS, words, began, evidence)


def _side(case: Case, began: datetime) -> tuple[str, str]:
    """Give the side of the fault and what the router does: as asked when the way out failed, else by the echoes since."""
    for said in case.seen.told(vocabulary.WAY_OUT):
        detail = dict(said.detail)
        if said.place == WAN and said.last_at >= began and detail.get("gateway") in ("answers", "silent"):
            return ("beyond" if detail["gateway"] == "answers" else "inside"), detail["gateway"]
    since = max(began, case.now - RECENT)
    echoes = [
        one
        for (place, kind), series in case.seen.series.items()
        if kind == vocabulary.RTT_S and place.startswith("segment:")
        for one in series.readings
        if one.at >= since
    ]
    if any(one.value is not None for one in echoes):
        return "beyond", "answers"
    return ("inside", "silent") if echoes else ("unknown", "unknown")


def judge_air(case: Case) -> Iterator[Verdict]:
    """Say that the air is at fault: many on it lose their echoes, and the router and those on cables don't."""
    air, cable = _losses(case)
    bad = [name for name, is_bad in air if is_bad]
    if len(bad) < FEWEST_FOR_CAUSE or len(bad) < LOWER_SHARE * len(air):
        return
    well = [name for name, is_bad in cable if not is_bad]
    if len(well) <= BAD_SHARE * len(cable):
        # Nobody on a cable to compare with, or they are no better off: then it isn't the air, or can't be told.
        yield Verdict(SITE, Mark.BLIND)
        return
    mark = Mark.HOLDS if len(bad) >= BAD_SHARE * len(air) else Mark.NEAR
    evidence = (
        ("count", str(len(bad))),
        ("all", str(len(air))),
        ("such_as", ", ".join(bad[:FEWEST_FOR_CAUSE])),
        ("cable", f"{len(well)} of {len(cable)}"),
        ("way_out", _out_says(case)),
    )
    yield Verdict(SITE, mark, "air", None, evidence)


def _losses(case: Case) -> tuple[list[tuple[str, bool]], list[tuple[str, bool]]]:
    """Say of each who owes an answer, on the air and on cables, the router included, whether half of the echoes are lost."""
    # Who has gone silent altogether is still asked for a while, and known by its MAC.
    by_mac = {**case.seen.roster.by_mac, **{one.mac: one.thing for one in case.seen.present}}
    air: list[tuple[str, bool]] = []
    cable: list[tuple[str, bool]] = []
    for (place, kind), series in sorted(case.seen.series.items()):
        if kind != vocabulary.RTT_S:
            continue
        roster = case.seen.roster
        thing = by_mac.get(place.removeprefix("device:")) if place.startswith("device:") else roster.by_ref.get(place)
        if thing is None or thing.sleeps or not (thing.watched or thing.group == "router"):
            continue
        is_bad = _is_bad([one for one in series.readings if one.at >= case.now - RECENT])
        if is_bad is not None:
            (air if thing.wifi else cable).append((named(thing.ref), is_bad))
    return air, cable


def _is_bad(echoes: Sequence[Reading]) -> bool | None:
    if len(echoes) < FEWEST_ECHOES:
        return None
    return sum(one.value is None for one in echoes) >= BAD_LOSS * len(echoes)


def _air_says(case: Case) -> str:
    air, _ = _losses(case)
    if not air:
        return "not asked"
    return f"{sum(not is_bad for _, is_bad in air)} of {len(air)} devices on Wi-Fi answer"


def _out_says(case: Case) -> str:
    series = case.seen.series.get((WAN, vocabulary.OUTSIDE_SHARE))
    if series is None or series.latest is None:
        return "not tried"
    return "works" if series.latest.value else "doesn't work either"


WAY_OUT: Final = Rule(
    key="way_out",
    question="Does the way out work, and if not, whose fault is it?",
    limit_source="none of the plan's hosts outside takes a connection",
    weight=Weight.NOW,
    words={
        "beyond": Words(
            "Nothing outside can be reached, and the router answers: the fault is beyond it (Wi-Fi: {wifi})",
            "Look at the modem and its line; if both look well tell the provider. Nothing in the house needs changing.",
        ),
        "inside": Words(
            "Nothing outside can be reached, and the router doesn't answer: the fault is inside (Wi-Fi: {wifi})",
            "Look whether the router has power and its cable to the switch is in; then start it anew.",
        ),
        "unknown": Words(
            "Nothing outside can be reached; whether the router answers isn't known (Wi-Fi: {wifi})",
            "Look at the router first, then at the modem and its line.",
        ),
    },
    judge=judge_out,
)
WIFI: Final = Rule(
    key="wifi_fault",
    question="If things fail everywhere in the house, is it Wi-Fi?",
    limit_source="half of the devices on the air lose half of their echoes, those on cables don't: common practice, no source",
    weight=Weight.NOW,
    words={
        "air": Words(
            "{count} of {all} devices on Wi-Fi lose most echoes, such as {such_as}; {cable} on cables answer. The fault is in the air",
            "Look for what disturbs it and at the access points' channels; start them anew one by one. The way out: {way_out}.",
        ),
    },
    judge=judge_air,
)
