"""Is everything there, is nothing else there, and is each on its own segment?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.restart import not_back
from netaudit.audit.rules.rule import lasting, named
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial
    from netaudit.audit.roster import Thing


def known_as(thing: Thing) -> str:
    """Name a thing for people: by its label if it has one."""
    return thing.label or named(thing.ref)


def _unnamed(trial: Trial, segment: str) -> tuple[str, ...]:
    """Give the MACs on a segment that the plan doesn't know and that no other check is about."""
    servers = {dict(one.detail).get("mac", "") for one in trial.told(vocabulary.DHCP_SERVER)}
    rivals = {mac for macs in trial.rivals.values() for mac in macs}
    return tuple(
        mac
        for mac in trial.macs_on(segment)
        if mac not in trial.things
        and mac not in servers
        and mac not in rivals
        and not any(address in trial.roster.by_address for address in trial.addresses[mac, segment])
    )


def judge_presence(trial: Trial) -> Iterator[Item]:
    """Ask for each thing that the plan knows, and for as many of the others as it counts."""
    lost = {thing.ref for thing in not_back(trial)}
    for thing in trial.roster.things:
        if thing.ref in trial.left:
            yield _left(trial, thing, lost=thing.ref in lost)
        elif thing.ref in trial.found:
            yield passed(thing.ref, f"seen as {', '.join(trial.found[thing.ref])}")
        elif not thing.watched:
            continue
        elif thing.segment not in trial.looked:
            yield untested(
                thing.ref, f"nobody looked at network {thing.segment}", "Look at it from a box that is on it."
            )
        else:
            wait = "; it sleeps most of the time, so look for longer" if thing.sleeps else ""
            yield failed(
                thing.ref,
                f"not seen on network {thing.segment}{wait}",
                "See that it has power and is connected"
                + (f"; it needs: {needs}." if (needs := _needs(trial, thing)) else "."),
            )
    for name, room in trial.roster.rooms.items():
        wanted = room.wifi + room.wired
        if room.open_house or not wanted:
            continue
        place = f"segment:{name}"
        if name not in trial.looked:
            yield untested(place, f"{wanted} devices without a name are planned here; nobody looked")
            continue
        absent = sum(
            device.count
            for device_name, device in trial.site.device.items()
            if device.may_be_absent and trial.roster.topology.segment_of[device_name] == name
        )
        there = len(_unnamed(trial, name))
        said = f"devices without a name: {there} here, {wanted} planned"
        if there >= wanted - absent:
            # As many as planned are not those that are planned: any of them may be a stranger in the place of one that is away.
            yield untested(
                place,
                f"{said}; whether they are the planned ones can't be told",
                "Give those that matter a MAC in the plan.",
            )
        else:
            yield failed(place, said, "Find out which of them are not back; give those that matter a MAC in the plan.")


def _left(trial: Trial, thing: Thing, *, lost: bool) -> Item:
    """Say what to make of a thing that was seen, but not to the end. Who didn't survive a restart is that check's."""
    silent_s = trial.left[thing.ref]
    said = f"not seen in the last {lasting(silent_s)} of the test; it may be silent for {lasting(thing.silent_after_s)}"
    if lost:
        return untested(thing.ref, f"{said}; it did not come back after the restart")
    return failed(thing.ref, said, "See why it went: its power, its cable, its level.")


def _needs(trial: Trial, thing: Thing) -> str:
    kind, _, rest = thing.group.partition(":")
    device = trial.site.device.get(rest) if kind == "device" else None
    return device.needs if device else ""


def judge_unknown(trial: Trial) -> Iterator[Item]:
    """Ask whether more devices without a name are there than the plan has places for."""
    for name, room in trial.roster.rooms.items():
        if room.open_house or name not in trial.looked:
            continue
        strangers, places = _unnamed(trial, name), room.wifi + room.wired
        if len(strangers) <= places:
            yield passed(f"segment:{name}", f"devices without a name: {len(strangers)} here, {places} planned")
        else:
            listed = ", ".join(strangers[:5]) + (f" and {len(strangers) - 5} more" if len(strangers) > 5 else "")
            yield failed(
                f"segment:{name}",
                f"{counted(len(strangers), 'device')} that the plan doesn't know, {places} planned: {listed}",
                "Find out whose they are; write them into the plan or take them off.",
            )


def judge_segments(trial: Trial) -> Iterator[Item]:
    """Ask for each thing known by MAC on which segment it was seen."""
    for mac, thing in sorted(trial.things.items(), key=lambda pair: pair[1].ref):
        if thing.mac != mac:
            continue
        where = sorted(segment for found, segment in trial.addresses if found == mac)
        if thing.segment in where:
            yield passed(thing.ref, f"on network {thing.segment}")
        elif thing.ref in trial.displaced:
            yield failed(
                thing.ref,
                f"on network {', '.join(where)}; the plan has it on {thing.segment}",
                "Connect it to the right network name, or give its port the right VLAN.",
            )


PRESENCE: Final = Check("presence", "Is everything there?", "the plan's devices", judge_presence)
UNKNOWN: Final = Check("unknown", "Is nobody there whom the plan doesn't know?", "the plan's devices", judge_unknown)
SEGMENTS: Final = Check("segments", "Is each on its own network?", "the plan's networks; IEEE 802.1Q", judge_segments)
