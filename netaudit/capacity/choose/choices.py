"""What can be decided, and between what: access points, injectors, recorders, ways up. Each with price and needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from netaudit.capacity import feeding, links, poe, radio, recording
from netaudit.capacity.advice import advise
from netaudit.capacity.choose import rows
from netaudit.capacity.choose.ground import ETHERNET_BPS, Ground, home_of
from netaudit.capacity.choose.kinds import Kind, Need, Scales, links_of
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.line import State
from netaudit.capacity.patching import patch, plugs
from netaudit.errors import NoSolution
from netaudit.site.model import AccessPoint, Device, Injector, Recorder
from netaudit.site.topology import ROUTER, is_outdoor, router_closet

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from netaudit.capacity.choose.rows import Row
    from netaudit.site.equipment import Equipment
    from netaudit.site.model import Radio, Site

Wirable = AccessPoint | Device | Recorder

_GIGABIT: Final = 1e9


@dataclass(frozen=True, slots=True)
class Option:
    """
    One way to decide.

    sheets   what is bought, by the names of their sheets; price of all of it
    needs    plugs that it brings; row: what the plan will say, None where it says nothing
    injector sheet of the injector that feeds it; radios that it puts on the air; draw_w of its own
    """

    sheets: tuple[str, ...]
    price: float
    needs: tuple[Need, ...] = ()
    row: Row | None = field(default=None, hash=False)
    injector: str | None = None
    radios: tuple[Radio, ...] = ()
    draw_w: float = 0.0


@dataclass(frozen=True, slots=True)
class Choice:
    """Something to decide: one of the options. `ref` as in the plan; `link:CLOSET` is a way up."""

    ref: str
    options: tuple[Option, ...]


def gather_choices(ground: Ground, equipment: Equipment) -> tuple[Choice, ...]:
    """
    List everything that is to be decided but the switches and the router.

    Raises:    NoSolution: for something there is no option at all.
    """
    scales = Scales(ground.site)
    feeders = _Feeders(ground.site, equipment, scales)
    return (
        *_access_points(ground, equipment, feeders),
        *_devices(ground, feeders),
        *_recorders(ground, equipment, scales),
        *_ways_up(ground, equipment, scales),
    )


def _alone(site: Site, table: str, name: str, row: Wirable, injectors: dict[str, Injector]) -> Site:
    """Give the plan with nothing wired in it but one row."""
    empty: dict[str, object] = {one: {} for one in ("access_point", "device", "recorder", "backup")}
    return site.model_copy(update={**empty, table: {name: row}, "injector": injectors})


def _needs(site: Site, ref: str, scales: Scales) -> tuple[Need, ...]:
    counted: dict[tuple[str, Kind], int] = {}
    for plug in plugs(site):
        if plug.ref == ref:
            key = (home_of(site, plug) or ROUTER, scales.kind(site, plug))
            counted[key] = counted.get(key, 0) + plug.count
    return tuple(Need(closet, kind, count) for (closet, kind), count in counted.items())


class _Feeders:
    """Gives each thing with and without the cheapest injector that the ledger has nothing to say against."""

    def __init__(self, site: Site, equipment: Equipment, scales: Scales) -> None:
        self._site = site
        self._scales = scales
        self._sheets = sorted(equipment.injector.items(), key=lambda item: item[1].price)
        self._known: dict[tuple[object, ...], str | None] = {}
        self._prices = {name: sheet.price for name, sheet in self._sheets}
        self._rows = {name: Injector.model_validate(rows.injector_row("router", sheet)) for name, sheet in self._sheets}

    def options(self, table: str, name: str, row: Wirable, base: Option) -> Iterator[Option]:
        """Give an option as it is, and the same with injectors, one for each of a group's devices."""
        ref = f"{table}:{name}"
        yield replace(base, needs=_needs(_alone(self._site, table, name, row, {}), ref, self._scales))
        sheet = self._cheapest(table, name, row)
        if sheet is not None:
            alone = _alone(self._site, table, name, row, self._injectors(ref, sheet))
            yield replace(
                base,
                sheets=(*base.sheets, sheet),
                price=base.price + getattr(row, "count", 1) * self._prices[sheet],
                needs=_needs(alone, ref, self._scales),
                injector=sheet,
            )

    def _cheapest(self, table: str, name: str, row: Wirable) -> str | None:
        ref = f"{table}:{name}"
        need = feeding.need_of(_alone(self._site, table, name, row, {}), ref)
        if need is None or need.supply not in ("802.3", "passive 24 V"):
            return None
        drop = next((one for one, drop in self._site.drop.items() if drop.feeds == ref), getattr(row, "drop", None))
        key = (need, drop)
        if key not in self._known:
            self._known[key] = next((sheet for sheet, _ in self._sheets if self._feeds(table, name, row, sheet)), None)
        return self._known[key]

    def _injectors(self, ref: str, sheet: str) -> dict[str, Injector]:
        return {"feeder": self._rows[sheet].model_copy(update={"feeds": ref})}

    def _feeds(self, table: str, name: str, row: Wirable, sheet: str) -> bool:
        ref = f"{table}:{name}"
        one = row.model_copy(update={"count": 1}) if isinstance(row, Device) else row
        verdict = poe.judge(_alone(self._site, table, name, one, self._injectors(ref, sheet)))
        if any(one.place == ref for one in verdict.hazards) or any(one.place == ref for one in verdict.flaws):
            return False
        return all(line.grown_state is State.WITHIN for line in verdict.lines if line.place == "injector:feeder")


def _link_rates(ground: Ground) -> dict[str, float]:
    """Give the rate that each access point's and recorder's cable must have, by the ledger's lines [bit/s]."""
    wanted: dict[str, float] = {}
    for line in links.judge(ground.site, patch(ground.site)).lines:
        if line.place.startswith(("link:access_point/", "link:recorder/")):
            ref = line.place.removeprefix("link:").replace("/", ":", 1)
            wanted[ref] = max(wanted.get(ref, 0.0), line.grown / line.ceiling)
    return wanted


def _access_points(ground: Ground, equipment: Equipment, feeders: _Feeders) -> Iterable[Choice]:
    rates = _link_rates(ground)
    drawn = _tuned(ground, equipment)
    for name, point in ground.site.access_point.items():
        ref = f"access_point:{name}"
        options: list[Option] = [Option((), 0.0)] if ground.free and name not in ground.named else []
        if point.keep:
            base = Option((), 0.0, row=drawn[name], radios=_settled(drawn[name]).radio)
            options += feeders.options("access_point", name, _pinned(ground, name, drawn[name]), base)
            yield Choice(ref, tuple(options))
            continue
        outdoor = is_outdoor(ground.site, point.at)
        for sheet_name, sheet in equipment.access_point.items():
            wanted_bps = _GIGABIT if rates[ref] <= _GIGABIT else next(one for one in ETHERNET_BPS if one >= rates[ref])
            stated = "rate" in drawn[name]
            rate_bps = max(point.rate_bps, wanted_bps) if stated else wanted_bps
            if (outdoor and not sheet.outdoor) or (
                sheet.rate_bps < rate_bps and (stated or rates[ref] > sheet.rate_bps)
            ):
                continue
            row = rows.access_point_row(drawn[name], sheet)
            row["rate"] = rows.rate(min(rate_bps, sheet.rate_bps))
            base = Option((sheet_name,), sheet.price, row=row, radios=_settled(row).radio)
            options += feeders.options("access_point", name, _pinned(ground, name, row), base)
        if not options:
            least = "built for weather and " if outdoor else ""
            raise NoSolution(
                f"access point {name}: no sheet is {least}as fast as {rows.rate(max(rates[ref], point.rate_bps))}; "
                "write one that is, or hang it somewhere else"
            )
        yield Choice(ref, _worth(options))


def _settled(row: Row) -> AccessPoint:
    return AccessPoint.model_validate(row)


def _pinned(ground: Ground, name: str, row: Row) -> AccessPoint:
    """Keep an access point on the switch that the open plan patches it to."""
    return _settled(row).model_copy(update={"switch": ground.site.access_point[name].switch})


def _worth(options: Iterable[Option]) -> tuple[Option, ...]:
    """Leave out what costs no less and does the same."""
    best: dict[tuple[object, ...], Option] = {}
    for option in options:
        key = (option.radios, option.needs)
        if key not in best or option.price < best[key].price:
            best[key] = option
    return tuple(best.values())


def _tuned(ground: Ground, equipment: Equipment) -> dict[str, Row]:
    """
    Give every access point's drawn row with a channel on each band that a sheet has.

    Channels are settled before equipment is chosen: the plan's own, else those that the ledger gives to the narrowest
    radios. So what one radio hears of another depends on the two of them alone.
    """
    drawn: dict[str, Row] = {name: dict(row) for name, row in ground.raw.get("access_point", {}).items()}
    narrowest: dict[str, Radio] = {}
    for sheet in equipment.access_point.values():
        for one in sheet.radio:
            if one.band not in narrowest or one.width_mhz < narrowest[one.band].width_mhz:
                narrowest[one.band] = one
    reference: dict[str, AccessPoint] = {}
    for name, row in drawn.items():
        point = ground.site.access_point[name]
        own: dict[str, Radio] = {one.band: one for one in point.radio} if "radio" in row or point.keep else {}
        bands = own if point.keep else {**narrowest, **own}
        reference[name] = point.model_copy(update={"radio": tuple(bands.values())})
    lines = radio.judge(ground.site.model_copy(update={"access_point": reference})).lines
    for line in lines:
        if line.kind is not LineKind.AIRTIME or not line.place.startswith("radio:"):
            continue
        name, _, band = line.place.removeprefix("radio:").rpartition("/")
        radios = [dict(one) for one in drawn[name].get("radio", ())]
        own_row = next((one for one in radios if one["band"] == band), None)
        channel = int(dict(line.inputs)["channel"].split(",")[0])
        if own_row is None:
            radios.append({"band": band, "channel": channel})
        else:
            own_row.setdefault("channel", channel)
        drawn[name]["radio"] = radios
    return drawn


def _devices(ground: Ground, feeders: _Feeders) -> Iterable[Choice]:
    for name, device in ground.site.device.items():
        if ground.site.profile[device.kind].link == "wired":
            options = feeders.options("device", name, device, Option((), 0.0))
            yield Choice(f"device:{name}", tuple(options))


def _recorders(ground: Ground, equipment: Equipment, scales: Scales) -> Iterable[Choice]:
    rates = _link_rates(ground)
    for name, recorder in ground.site.recorder.items():
        ref = f"recorder:{name}"
        drawn = ground.raw["recorder"][name]
        if recorder.keep:
            needs = _needs(_alone(ground.site, "recorder", name, recorder, {}), ref, scales)
            yield Choice(ref, (Option((), 0.0, needs, drawn, draw_w=recorder.draw_w),))
            continue
        found: list[Option] = []
        nearest: tuple[float, str] | None = None
        for sheet_name, sheet in equipment.recorder.items():
            for disk_name, disk in equipment.disk.items():
                for disks in range(1, sheet.bays + 1):
                    row = rows.recorder_row(drawn, sheet, disk, disks)
                    one = Recorder.model_validate(row).model_copy(update={"switch": recorder.switch})
                    if one.rate_bps < rates.get(ref, 0.0):
                        continue
                    lacks = _lacking(ground.site, name, one)
                    if lacks is not None:
                        if nearest is None or lacks[0] < nearest[0]:
                            nearest = (lacks[0], f"{sheet_name} with {disks} {disk_name}: {lacks[1]}")
                        continue
                    needs = _needs(_alone(ground.site, "recorder", name, one, {}), ref, scales)
                    sheets = (sheet_name, *(disk_name for _ in range(disks)))
                    found.append(Option(sheets, float(row["price"]), needs, row, draw_w=one.draw_w))
                    break  # more of the same disk cost more and the ledger asks for no more
        if not found:
            raise NoSolution(f"recorder {name}: {_no_recorder(equipment, rates.get(ref, 0.0), nearest)}")
        yield Choice(ref, _lightest(found))


def _no_recorder(equipment: Equipment, rate_bps: float, nearest: tuple[float, str] | None) -> str:
    if not equipment.recorder or not equipment.disk:
        what = "a disk" if equipment.recorder else "a recorder"
        return f"there is no sheet of {what}; write one into the equipment"
    if nearest is None:
        return f"no sheet has a port of {rows.rate(rate_bps)}, which the cameras fill; write one that has, or a second recorder"
    return f"nothing on the sheets records what the cameras send; nearest comes {nearest[1]}"


def _lacking(site: Site, name: str, row: Recorder) -> tuple[float, str] | None:
    """Say by how much a recorder is too small, as a share of what it has, and in words; None where it is not."""
    verdict = recording.judge(site.model_copy(update={"recorder": {**site.recorder, name: row}}))
    place = f"recorder:{name}"
    flaws = [f"{flaw.text}; {flaw.cure}" for flaw in verdict.flaws if flaw.place == place]
    over = [line for line in verdict.lines if line.place == place and line.grown_state is not State.WITHIN]
    if flaws:  # disks that can't be arranged carry nothing, and their lines say nothing more
        return math.inf, flaws[0]
    if not over:
        return None
    share = max(line.grown / line.usable if line.usable else math.inf for line in over)
    return share, "; ".join(advise(line) or "" for line in over)


def _lightest(options: list[Option]) -> tuple[Option, ...]:
    """Leave out what another beats in price and draw with the same needs."""
    return tuple(
        one
        for index, one in enumerate(options)
        if not any(
            (
                other.needs == one.needs
                and (other.price, other.draw_w) != (one.price, one.draw_w)
                and other.price <= one.price
                and other.draw_w <= one.draw_w
            )
            or ((other.needs, other.price, other.draw_w) == (one.needs, one.price, one.draw_w) and before < index)
            for before, other in enumerate(options)
        )
    )


def _ways_up(ground: Ground, equipment: Equipment, scales: Scales) -> Iterable[Choice]:
    """List ways up; a closet that may be empty can have none, and one above which no switch stands ends on the router."""
    ends = links_of(ground)
    for closet, cabinet in ground.cabinets.items():
        own, upper = ends[closet]
        far = upper or own
        uppers = [ROUTER if cabinet.parent is None else cabinet.parent]
        # Without a switch in the router's own closet what hung on it hangs on the router.
        if cabinet.parent == router_closet(ground.site) and ground.cabinets[uppers[0]].may_be_empty:
            uppers.append(ROUTER)
        options: list[Option] = []
        for above in uppers:
            options.append(Option((), 0.0, (Need(closet, scales.link(own), 1), Need(above, scales.link(far), 1))))
            if own.medium == "fibre":
                for name, sheet in equipment.converter.items():
                    if sheet.rate_bps >= own.rate_bps:
                        copper = scales.link(replace(own, medium="copper"))
                        options.append(Option((name,), sheet.price, (Need(closet, copper, 1), Need(above, copper, 1))))
        if cabinet.may_be_empty:
            options.append(Option((), 0.0))
        yield Choice(f"link:{closet}", tuple(options))
