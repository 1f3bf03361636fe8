"""Ports and cables: links that are up, things on the ports of the schedule, speeds as planned, error counters that stand still."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.checks.uplinks import astray
from netaudit.audit.acceptance.last_word import last_wiring
from netaudit.audit.acceptance.restart import not_back
from netaudit.audit.acceptance.sockets import sockets
from netaudit.audit.rules.rule import named
from netaudit.audit.wiring import switch_of
from netaudit.site.counted import counted
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial
    from netaudit.audit.acceptance.sockets import Socket
    from netaudit.audit.roster import Thing
    from netaudit.audit.wiring import Wiring

ASK: Final = "Read the switch's counters (SNMP), or look at the ports by eye and waive this with your name."
# Of the router's ports, which nobody asks.
MUTE: Final = "the router tells nothing of its ports"
BY_EYE: Final = "look at the port by eye and waive this with your name."
LOOK: Final = f"{BY_EYE[0].upper()}{BY_EYE[1:]}"


def _explained(trial: Trial, ref: str) -> bool:
    """Say whether something of this plug is missing, so that a dark port of its kind is no second trouble."""
    return any(gone == ref or gone.startswith(f"{ref}/") for gone in trial.missing)


def judge_ports(trial: Trial) -> Iterator[Item]:
    """Ask whether each patched port has a link. Where the thing was found on another port, that is the trouble."""
    told = last_wiring(trial)
    strayed = {thing.group for thing, ports, found in _edges(trial, told) if found and not found & ports}
    moved = astray(trial)
    lost = {thing.group for thing in not_back(trial)}
    for socket in sockets(trial):
        speeds = trial.values(socket.place, vocabulary.SPEED_BPS)
        if socket.of_router:
            yield _of_router(trial, socket, told, elsewhere=socket.place in moved)
        elif not speeds:
            yield untested(socket.place, "its switch told nothing of this port", ASK)
        elif speeds[-1]:
            yield passed(socket.place, f"link at {speeds[-1] / 1e6:g} Mb/s")
        elif _explained(trial, socket.refs):
            yield untested(socket.place, f"no link; {named(socket.refs)} is missing")
        elif socket.refs in lost:
            yield untested(socket.place, f"no link; {named(socket.refs)} did not come back after the restart")
        elif socket.refs in strayed or socket.place in moved:
            yield untested(socket.place, f"no link; {named(socket.refs)} was found on another port")
        else:
            yield failed(
                socket.place,
                f"no link; the schedule puts {named(socket.refs)} here",
                "Plug both ends in; test the cable.",
            )


def _of_router(trial: Trial, socket: Socket, told: Wiring, *, elsewhere: bool) -> Item:
    """Judge a port of the router by who hears it there: that is the only word of it that there can be."""
    heard = told.neighbours.get(socket.place)
    if heard:
        return passed(socket.place, f"the router is heard there from {', '.join(map(named, sorted(heard)))}")
    if _explained(trial, socket.refs):
        return untested(socket.place, f"nobody hears the router there; {named(socket.refs)} is missing")
    if elsewhere:
        return untested(socket.place, f"nobody hears the router there; {named(socket.refs)} was found on another port")
    if not socket.between:
        return untested(socket.place, MUTE, LOOK)
    calls = sorted({called for place, called in told.unnamed.items() if switch_of(place) == socket.refs})
    if calls:
        said = f'the router calls the port of {named(socket.refs)} "{calls[0]}", and the plan names no such port'
        return untested(
            socket.place, said, f"Write what the router calls its ports into the plan (router.port_names); or {BY_EYE}"
        )
    return untested(
        socket.place,
        f"{named(socket.refs)} hears nothing of the router there",
        f"Let the router speak LLDP, ask the switch (snmp) and name the router's ports in the plan (router.port_names); or {BY_EYE}",
    )


def judge_speed(trial: Trial) -> Iterator[Item]:
    """Ask whether each link runs at the rate that both of its ends were planned for."""
    for socket in sockets(trial):
        speeds = [value for value in trial.answered(socket.place, vocabulary.SPEED_BPS) if value > 0]
        if not speeds:
            continue
        group = trial.patching.groups[socket.patch.switch][socket.patch.group]
        wanted = min(group.rate_bps, socket.patch.plug.rate_bps)
        said = f"{min(speeds) / 1e6:g} Mb/s, planned {wanted / 1e6:g} Mb/s for {named(socket.refs)}"
        if min(speeds) >= wanted:
            yield passed(socket.place, said)
        else:
            yield failed(
                socket.place,
                said,
                "Test the cable's four pairs and both plugs; see that neither end is set to a slower rate.",
            )


def judge_errors(trial: Trial) -> Iterator[Item]:
    """Ask whether error counters stood still while traffic ran. Two readings make one difference."""
    for place, kind in sorted(trial.series):
        if kind != vocabulary.ERRORS:
            continue
        counts = trial.answered(place, vocabulary.ERRORS)
        if len(counts) < 2:
            yield untested(place, f"{counted(len(counts), 'reading')}; it takes 2", "Look for longer.")
        elif sum(counts) > 0:
            yield failed(
                place,
                f"{sum(counts):g} frames with errors in {len(counts)} readings",
                "Replace the patch cable; test the run.",
            )
        else:
            yield passed(place, f"none in {len(counts)} readings")


def _edges(trial: Trial, told: Wiring) -> Iterator[tuple[Thing, set[str], set[str]]]:
    """Give each thing on a cable that was seen, with the ports that the schedule gives its kind and those that told of it."""
    allowed: defaultdict[str, set[str]] = defaultdict(set)
    leading = set(told.leading())
    for socket in sockets(trial):
        allowed[socket.refs].add(socket.place)
        if socket.between:
            leading.add(socket.place)
    seen: defaultdict[str, set[str]] = defaultdict(set)
    for table in (told.learnt, told.neighbours):
        for place, refs in table.items():
            for ref in refs if place not in leading else ():
                seen[ref].add(place)
    for thing in trial.roster.things:
        # Where switches and the router hang is a check of its own.
        if thing.wifi or thing.group == ROUTER or thing.group.startswith("switch:"):
            continue
        if thing.group in allowed and (thing.ref in trial.found or thing.ref in seen):
            yield thing, allowed[thing.group], seen.get(thing.ref, set())


def judge_patching(trial: Trial) -> Iterator[Item]:
    """Ask whether each wired thing is on a port that the schedule gives it, by forwarding tables and LLDP."""
    told = last_wiring(trial)
    for thing, ports, found in _edges(trial, told):
        shown = ", ".join(named(place) for place in sorted(found))
        if not told.learnt and not told.neighbours:
            yield untested(thing.ref, "no switch told what it has learnt", ASK)
        elif not found and all(switch_of(place) == ROUTER for place in ports):
            yield untested(thing.ref, f"planned on the router: {MUTE}", LOOK)
        elif not found:
            yield untested(thing.ref, "no edge port has learnt it", ASK)
        elif found & ports:
            yield passed(thing.ref, f"on {shown}")
        else:
            wanted = ", ".join(named(place) for place in sorted(ports)[:3])
            yield failed(
                thing.ref,
                f"on {shown}; the schedule has {wanted}",
                "Patch it as the schedule has it, or write the port into the schedule.",
            )


PORTS: Final = Check("ports", "Has each patched port a link?", "the plan's patch schedule", judge_ports)
PATCHING: Final = Check(
    "patching",
    "Is each cable where the schedule has it?",
    "the plan's patch schedule; IEEE 802.1Q forwarding tables, IEEE 802.1AB",
    judge_patching,
)
SPEED: Final = Check(
    "speed", "Does each link run at its planned rate?", "the plan's rates; IEEE 802.3 auto-negotiation", judge_speed
)
ERRORS: Final = Check(
    "errors",
    "Do error counters stand still?",
    "RFC 2863, ifInErrors and ifOutErrors; none: common practice",
    judge_errors,
)
