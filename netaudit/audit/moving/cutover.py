"""The night of the move: who is back, who is missing and what it needs, who is new, what clashes, what remains. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.moving.known import Known, joined_by_name, known_in, to_set, where_planned
from netaudit.audit.moving.match import match
from netaudit.audit.roster import EQUIPMENT_OFFLINE_AFTER_S, enrol
from netaudit.audit.rules.addresses import CONFLICT_LASTS
from netaudit.audit.rules.rule import lasting
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.audit.moving.baseline import Baseline
    from netaudit.audit.moving.match import By
    from netaudit.audit.roster import Roster, Thing
    from netaudit.site.model import Site


class Stage(StrEnum):
    """How far one device has come."""

    MISSING = "missing"
    UNSURE = "unsure"
    ELSEWHERE = "elsewhere"
    BACK = "back"
    AWAY = "may be away"
    NEW = "new"


# The order of the table: what needs a hand first.
STAGES: Final = tuple(Stage)
# What remains to be done before the move is over.
REMAINING: Final = frozenset((Stage.MISSING, Stage.UNSURE, Stage.ELSEWHERE))


@dataclass(frozen=True, slots=True)
class Row:
    """
    One device of the move.

    title, room, kind   how people know it
    was, now            addresses before and now
    planned             the segment that the plan has it on, empty when the plan doesn't know it
    segment             the segment that it is on now
    note                what it needs, or who it may be
    by                  by what it was recognised, empty when it isn't back
    """

    stage: Stage
    mac: str
    title: str
    room: str
    kind: str
    was: str
    now: str
    planned: str
    segment: str
    note: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """All devices of a move, what clashes, and how much is done."""

    rows: tuple[Row, ...]
    clashes: tuple[str, ...]

    def count(self, stage: Stage) -> int:
        """Count the devices at a stage."""
        return sum(row.stage is stage for row in self.rows)

    @property
    def expected(self) -> int:
        """How many must come back."""
        return self.count(Stage.BACK) + sum(self.count(stage) for stage in REMAINING)

    @property
    def done_share(self) -> float:
        """Share of those that must come back and are where they belong; 1 when none must."""
        return self.count(Stage.BACK) / self.expected if self.expected else 1.0

    @property
    def is_over(self) -> bool:
        """Nothing remains."""
        return not self.clashes and not any(row.stage in REMAINING for row in self.rows)


def progress(baseline: Baseline, site: Site, evidence: Evidence, *, late: timedelta = timedelta(0)) -> Progress:
    """
    Compare what was there before with what is seen now; who has been silent for too long has left again.

    Args:      late: by how much too early the evidence may know the last time of a clash; a store tells (kept.late_by).
    """
    roster = enrol(site)
    now = tuple(one for one in known_in(evidence, site) if _is_here(roster, one, evidence.until))
    matching = match(baseline.devices, now)
    served = {service.mac for service in baseline.services}
    rows = [_back(roster, site, pair.before, pair.now, pair.by) for pair in matching.pairs]
    for before, candidates in matching.unsure:
        listed = ", ".join(
            f"{one.mac} ({one.addresses[0] if one.addresses else 'no address'})" for one in candidates[:3]
        )
        rows.append(_gone(roster, site, before, Stage.UNSURE, f"may be {listed}"))
    for before in matching.missing:
        thing = roster.recognise(before.mac, ())
        if thing is None and before.mac in served:
            rows.append(_gone(roster, site, before, Stage.AWAY, "it served the old network"))
            continue
        away = not thing.watched if thing is not None else _is_guest(roster, before)
        rows.append(
            _gone(roster, site, before, Stage.AWAY if away else Stage.MISSING, _needed(roster, site, baseline, before))
        )
    seen = {one.ref for one in now if one.ref}
    # A router is one device with an address on each segment.
    seen |= {roster.by_address[one].ref for device in now for one in device.addresses if one in roster.by_address}
    was = {thing.ref for one in baseline.devices if (thing := roster.recognise(one.mac, ())) is not None}
    for thing in roster.things:
        if thing.watched and thing.ref not in seen and thing.ref not in was:
            room, kind, needs = where_planned(site, thing.group)
            title = _called(thing)
            rows.append(
                Row(
                    Stage.MISSING,
                    thing.mac or "",
                    title,
                    room,
                    kind,
                    "",
                    "",
                    thing.segment,
                    "",
                    needs or "new with this plan",
                )
            )
    rows += [_new(roster, one) for one in matching.new]
    rows.sort(key=lambda row: (STAGES.index(row.stage), row.room, row.kind, row.title, row.mac))
    return Progress(tuple(rows), _clashes(roster, evidence, now, late))


def _is_here(roster: Roster, device: Known, at: datetime) -> bool:
    thing = roster.by_ref.get(device.ref)
    room = roster.rooms.get(device.segment)
    # Whom the plan only counts may be the one of its kind that is silent for longest: a sensor that sleeps has come back.
    counted_s = room.silences_s[:1] if room is not None else ()
    may_s = thing.silent_after_s if thing is not None else max((EQUIPMENT_OFFLINE_AFTER_S, *counted_s))
    return device.last_at is not None and (at - device.last_at).total_seconds() <= may_s


def _is_guest(roster: Roster, device: Known) -> bool:
    """Say whether it was where guests come and go: nobody waits for it."""
    room = roster.rooms.get(device.segment)
    return room is not None and room.open_house


def _planned(roster: Roster, device: Known) -> str:
    thing = roster.recognise(device.mac, ())
    return thing.segment if thing else ""


def _needed(roster: Roster, site: Site, baseline: Baseline, device: Known) -> str:
    """Say what a device needs: the plan's own word, else the network name that it joins; and its fixed address."""
    thing = roster.recognise(device.mac, ())
    needs = where_planned(site, thing.group)[2] if thing else device.needs
    ssid = joined_by_name(roster, site, device)
    if not needs and ssid is not None:
        needs = f"network name {ssid}, as before" if ssid in baseline.ssids else f"join it to {ssid}"
    fixed = f"fixed address {thing.address}" if thing and thing.address else ""
    if not fixed:
        was = device.addresses[0] if device.addresses else ""
        own = to_set(site, thing.segment if thing else device.segment, None, was, leased=baseline.leased)
        fixed = f"set {own} in it" if own else ""
    return "; ".join(part for part in (needs, fixed) if part)


def _gone(roster: Roster, site: Site, before: Known, stage: Stage, note: str) -> Row:
    thing = roster.recognise(before.mac, ())
    room, kind, _ = where_planned(site, thing.group) if thing else ("", "", "")
    return Row(
        stage=stage,
        mac=before.mac,
        title=_title(roster, before),
        room=room or before.room,
        kind=kind or before.kind,
        was=before.addresses[0] if before.addresses else "",
        now="",
        planned=_planned(roster, before),
        segment="",
        note=note,
    )


def _back(roster: Roster, site: Site, before: Known, now: Known, by: By) -> Row:
    thing = roster.recognise(now.mac, ()) or roster.recognise(before.mac, ())
    planned = thing.segment if thing else ""
    room, kind, _ = where_planned(site, thing.group) if thing else ("", "", "")
    elsewhere = bool(planned) and now.segment != planned
    return Row(
        stage=Stage.ELSEWHERE if elsewhere else Stage.BACK,
        mac=now.mac,
        title=_title(roster, before),
        room=room or before.room,
        kind=kind or before.kind,
        was=before.addresses[0] if before.addresses else "",
        now=now.addresses[0] if now.addresses else "",
        planned=planned,
        segment=now.segment,
        note="; ".join(
            part for part in (f"belongs on {planned}" if elsewhere else "", _fell_silent(before, now)) if part
        ),
        by=by.value,
    )


def _fell_silent(before: Known, now: Known) -> str:
    """Say which services a device offered before and was not heard to offer since it is back."""
    silent = sorted(before.offers - now.offers)
    return f"offered {', '.join(silent)} before, not yet again" if silent else ""


def _new(roster: Roster, now: Known) -> Row:
    return Row(
        stage=Stage.NEW,
        mac=now.mac,
        title=_title(roster, now),
        room=now.room,
        kind=now.kind,
        was="",
        now=now.addresses[0] if now.addresses else "",
        planned=_planned(roster, now),
        segment=now.segment,
        note="" if now.ref else "not in the plan",
    )


def _title(roster: Roster, device: Known) -> str:
    thing = roster.recognise(device.mac, ())
    return _called(thing) if thing else device.title


def _called(thing: Thing) -> str:
    """Name a thing of the plan for people; the router has an address on each network."""
    if thing.group == ROUTER and thing.segment:
        return f"{thing.label or 'the router'} on {thing.segment}"
    return thing.label or thing.ref.partition(":")[2]


def _clashes(roster: Roster, evidence: Evidence, now: tuple[Known, ...], late: timedelta) -> tuple[str, ...]:
    """Say which addresses two devices claim, and which fixed one somebody else has."""
    found: dict[str, str] = {}
    for notice in evidence.notices:
        # One that no sweep has repeated since is mended.
        if notice.kind == vocabulary.ADDRESS_CONFLICT and (ago := evidence.until - notice.at) <= CONFLICT_LASTS + late:
            detail = dict(notice.detail)
            address = detail.get("address", "?")
            found[address] = f"{address} is claimed by {' and '.join(detail.get('macs', '?').split())}"
            if ago > CONFLICT_LASTS:
                left_s = (CONFLICT_LASTS + late - ago).total_seconds()
                found[address] += (
                    f" (as known {lasting(ago.total_seconds())} ago; if it is mended, it stands here for {lasting(left_s)} more)"
                )
    for device in now:
        for address in device.addresses[:1]:
            thing = roster.by_address.get(address)
            if thing is not None and thing.mac is not None and thing.mac != device.mac and address not in found:
                found[address] = (
                    f"{address}, fixed for {thing.label or thing.ref}, is used by {device.title} ({device.mac})"
                )
    return tuple(said for _, said in sorted(found.items()))
