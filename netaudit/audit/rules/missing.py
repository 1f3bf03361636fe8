"""
Something of the plan that is silent for longer than it may be.

When all that hangs on one switch or access point is silent, that is one trouble and not forty; when nothing at all answers,
the trouble is most likely nearest to us.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, age_s, lasting, named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.roster import Thing
    from netaudit.audit.rules.rule import Case

# One silent thing behind a switch is that thing; three at once are the switch. common practice, no source
FEWEST_FOR_CAUSE: Final = 3
SITE: Final = "site"


def judge(case: Case) -> Iterator[Verdict]:
    """Say who is missing, the common cause first."""
    blind = [thing for thing in case.seen.roster.things if thing.watched and not _looked_at(case, thing)]
    yield from (Verdict(thing.ref, Mark.BLIND) for thing in blind)
    missing = [
        thing
        for thing in case.seen.roster.things
        if thing.watched and _looked_at(case, thing) and _silence_s(case, thing) > thing.silent_after_s
    ]
    folded: set[str] = set()
    told: set[str] = set()
    for place, behind in _causes(case, missing):
        explained = [thing for thing in behind if thing.ref not in folded]
        itself = any(thing.ref == place for thing in explained)
        if len(explained) < (2 if itself else FEWEST_FOR_CAUSE):
            continue
        folded.update(thing.ref for thing in explained)
        told.add(place)
        yield _common(case, place, explained)
        yield from (Verdict(thing.ref, Mark.FOLDED) for thing in explained if thing.ref != place)
    # Below a cause that explains them, lesser causes say nothing of their own.
    for place, behind in _below(case):
        if place not in told and all(thing.ref in folded for thing in behind):
            yield Verdict(place, Mark.FOLDED)
    # While a common cause mends, who isn't back yet is still its business: the next sweep will hear them.
    for place, behind in [*_below(case), (SITE, list(case.seen.roster.things))]:
        if place not in told and case.is_open("missing", place):
            mending = [thing for thing in missing if thing in behind and thing.ref not in folded | {place}]
            folded.update(thing.ref for thing in mending)
            yield from (Verdict(thing.ref, Mark.FOLDED) for thing in mending)
    for thing in missing:
        if thing.ref not in folded:
            yield _alone(case, thing)


def _looked_at(case: Case, thing: Thing) -> bool:
    """Say whether its segment was looked at just now, and for as long as the thing may be silent."""
    looked = case.seen.looked.get(thing.segment)
    if looked is None or age_s(case, looked.until) > 2 * case.site.looking.sweep_every_s:
        return False
    return age_s(case, looked.since) >= thing.silent_after_s


def _silence_s(case: Case, thing: Thing) -> float:
    heard = case.seen.last_heard.get(thing.ref)
    looked = case.seen.looked[thing.segment]
    return age_s(case, looked.since if heard is None else heard)


def _silent(case: Case, thing: Thing) -> bool:
    """Say whether two sweeps have passed without a word, or it is missing already."""
    if not _looked_at(case, thing):
        return False
    return _silence_s(case, thing) > min(thing.silent_after_s, 2 * case.site.looking.sweep_every_s)


def _below(case: Case) -> list[tuple[str, list[Thing]]]:
    """List each switch and access point with who hangs on it, the widest first. Sleepers tell nothing."""
    behind: dict[str, list[Thing]] = {}
    for thing in case.seen.roster.things:
        if thing.watched and not thing.sleeps:
            for place in thing.way:
                behind.setdefault(place, []).append(thing)
    return sorted(behind.items(), key=lambda item: (-len(item[1]), item[0]))


def _causes(case: Case, missing: list[Thing]) -> list[tuple[str, list[Thing]]]:
    """List the places of which all that hangs on them is silent and something of it missing, the widest first."""
    gone = {thing.ref for thing in missing}
    present = {one.thing.ref for one in case.seen.present if one.thing is not None}
    found: list[tuple[str, list[Thing]]] = []
    watched = [thing for thing in case.seen.roster.things if thing.watched and not thing.sleeps]
    seen_now = [thing for thing in watched if thing.ref in present and not _silent(case, thing)]
    if len(watched) >= FEWEST_FOR_CAUSE and not seen_now and all(_silent(case, thing) for thing in watched) and gone:
        found.append((SITE, watched))
    for place, behind in _below(case):
        if gone.intersection(thing.ref for thing in behind) and all(_silent(case, thing) for thing in behind):
            found.append((place, behind))
    return found


def _common(case: Case, place: str, behind: list[Thing]) -> Verdict:
    longest_s = max(_silence_s(case, thing) for thing in behind)
    oldest = [case.seen.last_heard[thing.ref] for thing in behind if thing.ref in case.seen.last_heard]
    words = "site" if place == SITE else place.partition(":")[0]
    listed = ", ".join(sorted(thing.ref.partition(":")[2] for thing in behind))
    evidence = (
        ("named", "the network" if place == SITE else named(place)),
        ("silent", str(len(behind))),
        ("silence", lasting(longest_s)),
        ("who", listed if len(listed) <= 400 else f"{listed[:397]}..."),
    )
    return Verdict(place, Mark.HOLDS, words, min(oldest, default=None), evidence)


def _alone(case: Case, thing: Thing) -> Verdict:
    heard = case.seen.last_heard.get(thing.ref)
    known_by = " and ".join(part for part in (thing.mac, thing.address) if part)
    evidence = (
        ("named", thing.label or named(thing.ref)),
        ("silence", lasting(_silence_s(case, thing))),
        ("may_be_silent", lasting(thing.silent_after_s)),
        ("segment", thing.segment),
        ("known_by", known_by),
    )
    return Verdict(thing.ref, Mark.HOLDS, "never" if heard is None else "device", heard, evidence)


MISSING: Final = Rule(
    key="missing",
    question="Is everything there?",
    limit_source="offline_after of the device's profile, else 10 min (common practice, no source)",
    weight=Weight.NOW,
    words={
        "site": Words(
            "Nothing on the network answers any more: {silent} things are silent for {silence}",
            "Look at this box's own cable and port first, then at the router and the main switch.",
        ),
        "switch": Words(
            "All that hangs on {named} is silent for {silence}: {silent} things",
            "Look whether the switch has power and whether its uplink is plugged in.",
        ),
        "access_point": Words(
            "{named} and all that hangs on it are silent for {silence}",
            "Look whether the access point has power: its port, its cable, the switch's power budget.",
        ),
        "device": Words(
            "{named} has been silent for {silence}; as a rule it is heard every {may_be_silent} at least",
            "Look whether it has power and is connected; if it is gone for good, take it out of the plan.",
        ),
        "never": Words(
            "{named} was never heard in {silence} of looking",
            "Look whether it is connected to network {segment} and whether the plan has its address right ({known_by}).",
        ),
    },
    judge=judge,
)
