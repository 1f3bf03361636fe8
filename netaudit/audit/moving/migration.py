"""
The plan of a move, before it: which steps in which order, each with its proof and its way back; what each device will need.

The order is common practice, no source: what others hang on first, what people notice last, guests at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Final

from netaudit.audit.moving.baseline import LEASES
from netaudit.audit.moving.known import joined_by_name, to_set, where_planned
from netaudit.audit.roster import enrol, gateway_of

if TYPE_CHECKING:
    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.known import Known
    from netaudit.audit.roster import Roster
    from netaudit.site.model import Site

# Old leases must be gone by the night of the move: who still holds one doesn't ask for a new address (RFC 2131, 4.4.5).
SHORT_LEASE: Final = "10 min"


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what to do, by what it is seen that it worked, how to go back."""

    title: str
    do: str
    proof: str
    back: str


@dataclass(frozen=True, slots=True)
class Task:
    """What is to be done for one device; `by_hand` says that somebody must go there."""

    title: str
    room: str
    kind: str
    was: str
    becomes: str
    segment: str
    do: str
    by_hand: bool


@dataclass(frozen=True, slots=True)
class Migration:
    """
    A move on paper.

    kept, added, dropped  network names that stay, come and go; None for kept and dropped when nobody listened to the air
    overlaps              networks of the plan that contain addresses in use before: old and new can't run side by side there
    """

    steps: tuple[Step, ...]
    tasks: tuple[Task, ...]
    kept: tuple[str, ...]
    added: tuple[str, ...]
    dropped: tuple[str, ...]
    air_known: bool
    overlaps: tuple[str, ...]


def plan_move(baseline: Baseline, site: Site) -> Migration:
    """Plan the move from what was there to a checked plan. Pure."""
    roster = enrol(site)
    old = {IPv4Address(one) for device in baseline.devices for one in device.addresses}
    overlaps = tuple(
        f"{segment.network} of {name}: addresses in use now: {count}"
        for name, segment in site.segment.items()
        if (count := sum(address in segment.network for address in old))
    )
    planned = {segment.ssid for segment in site.segment.values() if segment.ssid}
    heard = set(baseline.ssids)
    tasks = tuple(
        sorted(
            # What is on several segments by its nature, the router, is set up and not moved.
            (
                _task(roster, site, baseline, device)
                for device in baseline.devices
                if not _is_everywhere(roster, device)
            ),
            key=lambda task: (not task.by_hand, task.room, task.kind, task.title),
        )
    )
    return Migration(
        steps=_steps(
            site, baseline, overlaps=overlaps, kept=planned & heard, by_hand=sum(task.by_hand for task in tasks)
        ),
        tasks=tasks,
        kept=tuple(sorted(planned & heard)),
        added=tuple(sorted(planned - heard)),
        dropped=tuple(sorted(heard - planned)),
        air_known=bool(heard),
        overlaps=overlaps,
    )


def _is_everywhere(roster: Roster, device: Known) -> bool:
    thing = roster.recognise(device.mac, ())
    return thing is not None and not thing.segment


def _task(roster: Roster, site: Site, baseline: Baseline, device: Known) -> Task:
    thing = roster.recognise(device.mac, ())
    was = device.addresses[0] if device.addresses else ""
    if thing is None:
        return _unnamed(roster, site, baseline, device)
    room, kind, needs = where_planned(site, thing.group)
    ssid = joined_by_name(roster, site, device)
    joins = not thing.wifi or (ssid is not None and ssid in baseline.ssids)
    steps = []
    if needs:
        steps.append(needs)
    elif thing.wifi and not joins:
        steps.append(f"join it to {ssid}" if ssid else "its network has no name on the air: connect it by cable")
    asks = site.segment[thing.segment].dhcp
    moves = asks and bool(thing.address and was and thing.address != was)
    own = to_set(site, thing.segment, thing.address, was, leased=baseline.leased)
    if own:
        steps.append(f"set {own} in it")
    elif moves:
        steps.append(f"give it {thing.address}, or reserve that for {device.mac}")
    elif thing.address and asks:
        steps.append(f"reserve {thing.address} for {device.mac}")
    idle = "it keeps its address" if not asks else "it joins" if thing.wifi else "it asks again when its cable is moved"
    return Task(
        title=thing.label or thing.ref.partition(":")[2],
        room=room,
        kind=kind,
        was=was,
        becomes=thing.address or ("leased" if asks else "fixed"),
        segment=thing.segment,
        do="; ".join(steps) or f"nothing: {idle}",
        by_hand=bool(needs) or not joins or moves or bool(own),
    )


def _unnamed(roster: Roster, site: Site, baseline: Baseline, device: Known) -> Task:
    """Say what becomes of a device that the plan knows by neither MAC nor address: it may be one of those it only counts."""
    was = device.addresses[0] if device.addresses else ""
    room = roster.rooms.get(device.segment)
    counted = room is not None and (room.open_house or room.wifi + room.wired > 0)
    ssid = joined_by_name(roster, site, device) if counted else None
    joins = counted and (ssid is None or ssid in baseline.ssids)
    own = to_set(site, device.segment, None, was, leased=baseline.leased) if counted else ""
    if not counted:
        do = "not in the plan: write it in, or leave it behind"
    elif joins and not own:
        do = "nothing: it joins, as one of those that the plan counts without a name"
    else:
        do = "; ".join(
            part for part in ("" if joins else f"join it to {ssid}", f"set {own} in it" if own else "") if part
        )
    becomes, segment = ("", "")
    if counted:
        becomes, segment = "leased" if site.segment[device.segment].dhcp else "fixed", device.segment
    by_hand = not joins or bool(own)
    return Task(device.title, device.room, device.kind, was, becomes, segment, do, by_hand=by_hand)


def _steps(
    site: Site, baseline: Baseline, *, overlaps: tuple[str, ...], kept: set[str], by_hand: int
) -> tuple[Step, ...]:
    servers = ", ".join(sorted({one.address for one in baseline.services if one.what == LEASES and one.address}))
    fixed = ", ".join(name for name, segment in site.segment.items() if not segment.dhcp)
    gateways = ", ".join(f"{gateway_of(segment)} ({name})" for name, segment in site.segment.items())
    steps = [
        Step(
            "Keep the way back",
            "Save the old router's settings to a file; photograph its cables; keep it, unchanged, until the last step.",
            "The file opens; every cable in the photograph can be told from the next.",
            "Nothing has changed yet.",
        ),
        Step(
            "Shorten the leases",
            f"A day before, set the old server to leases of {SHORT_LEASE}."
            + (f" Leasing addresses now: {servers}." if servers else ""),
            "A device that renews is told the new time.",
            "Set the old time again.",
        ),
        Step(
            "Build the new network beside the old",
            f"Mount and power router and switches; gateways {gateways}; patch as the schedule has it. "
            + (
                "The old router's cable to the house stays where it is."
                if not overlaps
                else "Leave its cable to the house out: the networks overlap, so only one of the two may be connected."
            ),
            "netaudit accept SITE passes ports, speed, power and isolation with nothing else connected.",
            "Switch the new equipment off.",
        ),
    ]
    if site.access_point:
        announce = f"Names that stay: {', '.join(sorted(kept))}; switch the old radios off first. " if kept else ""
        steps.append(
            Step(
                "Switch the radios over",
                f"{announce}Switch on the new access points one by one, the nearest to the closet first.",
                "Each announces its names on its planned channel; netaudit cutover shows stations on their networks.",
                "Switch the new access points off and the old radios on.",
            )
        )
    steps += [
        Step(
            "Change over who leases addresses",
            "Take the old router off the house's cables, then connect the new one. Never both: two servers that don't "
            "know each other lease the same addresses twice.",
            "netaudit accept SITE passes dhcp: one server answers on each network"
            + (f"; on {fixed}, where all addresses are fixed, none." if fixed else "."),
            "Unplug the new router, plug the old one in; with short leases all is as before within half an hour.",
        ),
        Step(
            "Bring the wired ones over",
            "Recorder and cameras, then servers and printers, then control equipment (ask its maker first), then the rest.",
            "netaudit cutover shows each as back, on its planned network, without a clash of addresses.",
            "Patch the cable back to the old router.",
        ),
    ]
    if by_hand:
        steps.append(
            Step(
                "Go round the rooms",
                f"{by_hand} {'device needs' if by_hand == 1 else 'devices need'} a hand: the list below, room by room.",
                "netaudit cutover shows nothing missing.",
                "A device that won't come over stays on the old network until its maker has answered.",
            )
        )
    if any(segment.guests for segment in site.segment.values()):
        steps.append(
            Step(
                "Let the guests in",
                "Switch on the guests' network name last.",
                "A telephone on it reaches the outside and nothing inside: netaudit accept SITE passes isolation.",
                "Switch the name off.",
            )
        )
    steps.append(
        Step(
            "Prove it, and only then take the old away",
            "netaudit accept SITE for half an hour; mend what failed; keep the old router for a fortnight.",
            "A certificate on which nothing failed, signed.",
            "The old router, its file and its photograph.",
        )
    )
    return tuple(steps)
