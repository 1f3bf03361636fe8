"""
Radio: the airtime of every radio and channel of the plan, the stations that fit, and which channel to use.

The busy share of a radio is what its access point will announce in BSS Load: its own cell, all that it hears on spectrum
that it shares, and the collisions. Whoever can't be placed on the drawing is taken as heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from netaudit.capacity.airtime import Category, Channel, access, exchange
from netaudit.capacity.busy import contenders, group_share, repeated_share
from netaudit.capacity.cells import Cell, cells
from netaudit.capacity.channels import Placed, Tuned, assign, busiest, share_spectrum, spectrum_mhz
from netaudit.capacity.contention import Backoff, Sender, backoff, carried_share
from netaudit.capacity.line import PRACTICE, Flaw, Kind, Line, Step, Verdict
from netaudit.capacity.mimo import downlink_saving
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band, Phy, ht, rate_bps
from netaudit.capacity.sensitivity import OLDEST, minimum_dbm
from netaudit.capacity.stations import Fit, load_that_fills, stations_that_fit
from netaudit.errors import OutOfRange
from netaudit.site.topology import follow

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netaudit.site.model import Site
    from netaudit.site.topology import Topology

STANDARD = "IEEE 802.11-2020 clause 10, 802.11ax-2021 clause 27 (durations); traffic by kind of device"
# A radio takes part in another's contention when it hears the slowest preamble: the level of MCS 0 at 20 MHz.
HEARS_DBM = minimum_dbm(ht(0))
# What stands for a station where a radio has none: a small gadget, 0.5 frames a second each way (common practice).
_GADGET_SHARE = exchange(ht(0), 180, Channel(Band.GHZ_2_4)).busy_us / 1e6


@dataclass(frozen=True, slots=True)
class Crowd:
    """All that share a channel: turns a second, idle wait after each [us], how many there are, how they wait."""

    turns_per_s: float
    wait_us: float
    stations: float
    rule: Backoff

    def busy(self, load: float) -> float:
        """Busy share of a load with its collisions."""
        return load + repeated_share(load, self.turns_per_s, self.wait_us, self.stations, self.rule)

    def grown(self, growth: float) -> Crowd:
        """Let as many more come as the site may grow."""
        return Crowd(self.turns_per_s * growth, self.wait_us, self.stations * growth, self.rule)


@dataclass(frozen=True, slots=True)
class Air:
    """
    One radio's air [shares of the time].

    sharing     other radios that it hears on spectrum that it shares; neighbours: what they take
    looking     stations that look around within hearing, on any channel of the band; requests: what that takes
    load        all of it without collisions
    planned     the same with collisions: what the access point announces; grown: with the site's growth
    supply      what successful exchanges fill at most, with this many contenders and turns of this mean length
    """

    cell: Cell
    tuned: Tuned
    sharing: int
    looking: float
    neighbours: float
    requests: float
    load: float
    planned: float
    grown: float
    supply: float
    contenders: float
    turn_us: float
    crowd: Crowd


@dataclass(frozen=True, slots=True)
class Choice:
    """Channels of one band: name of the radio -> channel; the busiest radio before and after [share of the time]."""

    band: Band
    tuned: Mapping[str, Tuned]
    before: float
    after: float

    @property
    def gained(self) -> float:
        """By how much the busiest radio gets less busy."""
        return self.before - self.after


def judge(site: Site) -> Verdict:
    """Say what the plan asks of its radios and channels. Pure; the plan must have passed the site's checks."""
    topology = follow(site)
    levels = Levels(site)
    found = cells(site, topology, levels)
    hears = _hearing(found, levels)
    drawn = _tune(found, hears)
    airs = _airs(site, found, hears, drawn)
    lines: list[Line] = []
    for air in airs:
        lines += [_airtime_line(site, air), _stations_line(site, air)]
    lines += _channel_lines(site, airs, _choose(found, hears, drawn))
    flaws = _out_of_reach(found, topology)
    flaws += [flaw for cell in found.values() for flaw in _channel_flaws(cell)]
    flaws += [
        Flaw(
            "no_radio",
            f"device:{name}",
            f"{name} is wireless, and no access point of its place has a radio for it",
            "add a radio on a band that it can use, or name other access points for it",
            "the site plan",
        )
        for name in topology.unserved
    ]
    return Verdict(tuple(lines), (), tuple(flaws))


def choose_channels(site: Site) -> tuple[Choice, ...]:
    """
    Choose all channels by load, so that the busiest radio of each band is least busy, and say what that gains.

    Exact for up to `channels.EXACT_RADIOS` radios of a band. Channels that the plan fixes are chosen anew, too.
    """
    levels = Levels(site)
    found = cells(site, follow(site), levels)
    hears = _hearing(found, levels)
    return _choose(found, hears, _tune(found, hears))


def _choose(
    found: Mapping[str, Cell], hears: Mapping[str, tuple[str, ...]], drawn: Mapping[str, Tuned]
) -> tuple[Choice, ...]:
    chosen = []
    for band in Band:
        radios = [
            Placed(cell.name, band, drawn[cell.name].width_mhz, _own(cell, cell.stations))
            for cell in found.values()
            if cell.band is band
        ]
        if radios:
            best = assign(radios, hears)
            before, after = busiest(radios, drawn, hears), busiest(radios, best, hears)
            if before <= after:  # what is drawn is as good: leave it
                best, after = {radio.name: drawn[radio.name] for radio in radios}, before
            chosen.append(Choice(band, best, before, after))
    return tuple(chosen)


def _own(cell: Cell, looking: float) -> float:
    return cell.up.share + cell.down.share + cell.beacons + cell.groups + cell.responses(looking)


def _hearing(found: Mapping[str, Cell], levels: Levels) -> dict[str, tuple[str, ...]]:
    """Name for each radio those of its band that it hears, both ways; an unknown position counts as heard."""
    heard: dict[str, list[str]] = {name: [] for name in found}
    for band in Band:
        radios = [cell for cell in found.values() if cell.band is band]
        for index, one in enumerate(radios):
            for other in radios[:index]:
                eirp_dbm = max(one.radio.eirp_dbm, other.radio.eirp_dbm)
                if levels.hears(one.access_point, other.access_point, band, eirp_dbm=eirp_dbm, least_dbm=HEARS_DBM):
                    heard[one.name].append(other.name)
                    heard[other.name].append(one.name)
    return {name: tuple(names) for name, names in heard.items()}


def _tune(found: Mapping[str, Cell], hears: Mapping[str, tuple[str, ...]]) -> dict[str, Tuned]:
    """
    Give each radio the plan's channel, or one that few others of the plan use.

    Here every radio weighs the same, so that a device more or less never moves a channel; `choose_channels` weighs them
    by load.
    """
    tuned: dict[str, Tuned] = {}
    for band in Band:
        radios = [
            Placed(cell.name, band, cell.width_mhz, 1.0, _fixed(cell)) for cell in found.values() if cell.band is band
        ]
        tuned |= assign(radios, hears)
    return tuned


def _fixed(cell: Cell) -> Tuned | None:
    """Give the plan's channel, as wide as there is a block for it."""
    if cell.radio.channel is None:
        return None
    width_mhz = cell.width_mhz
    while width_mhz > 20 and not _has_block(cell.band, cell.radio.channel, width_mhz):
        width_mhz //= 2
    return Tuned(cell.band, cell.radio.channel, width_mhz)


def _has_block(band: Band, channel: int, width_mhz: int) -> bool:
    try:
        spectrum_mhz(band, channel, width_mhz)
    except OutOfRange:
        return False
    return True


@lru_cache(maxsize=256)  # as many as there are different channels in a plan: bands, slots, lowest rates
def waiting(channel: Channel) -> tuple[Backoff, float]:
    """Give the contention rule of best effort on a channel, and the idle time that all wait after a turn [us]."""
    rules = access(Category.BEST_EFFORT)
    return backoff(rules, channel.spacing), channel.spacing.aifs_us(rules.aifs_slots)


def _airs(
    site: Site, found: Mapping[str, Cell], hears: Mapping[str, tuple[str, ...]], tuned: Mapping[str, Tuned]
) -> list[Air]:
    """Put every cell on its channel among the others."""
    looking = {name: cell.stations + sum(found[far].stations for far in hears[name]) for name, cell in found.items()}
    tallies = {name: _tally(cell, looking[name]) for name, cell in found.items()}
    airs = []
    for name, cell in found.items():
        channel = tuned[name]
        shared = [tallies[far] for far in hears[name] if share_spectrum(channel, tuned[far])]
        airs.append(_air(site, cell, channel, [tallies[name], *shared], looking[name]))
    return airs


class _Tally(NamedTuple):
    """What one cell brings to a channel; tallies of cells that share it add up, column by column."""

    own: float
    beacons: float
    sent: float
    turns_per_s: float
    total: float
    squares: float
    senders: float


def _tally(cell: Cell, looking: float) -> _Tally:
    sends = cell.sends
    return _Tally(
        own=_own(cell, looking),
        beacons=cell.beacons,
        sent=cell.up.share + sends.share,
        turns_per_s=cell.up.turns_per_s + sends.turns_per_s,
        total=cell.total,
        squares=cell.squares,
        senders=cell.stations + 1,
    )


def _air(site: Site, cell: Cell, tuned: Tuned, domain: Sequence[_Tally], looking: float) -> Air:
    """Reckon the air of a cell; `domain` are the tallies of all that share its channel, its own first."""
    all_of_it = _Tally(*map(sum, zip(*domain, strict=True)))
    turns = all_of_it.turns_per_s
    turn_us = 1e6 * all_of_it.sent / turns if turns > 0 else exchange(ht(0), 180, cell.channel).busy_us
    many = contenders(all_of_it.total, all_of_it.squares)
    rule, wait_us = waiting(cell.channel)
    requests = cell.requests(looking)
    load = all_of_it.own + requests
    crowd = Crowd(turns, wait_us, all_of_it.senders, rule)
    growth = 1 + site.site.growth
    planned = crowd.busy(load)
    return Air(
        cell=cell,
        tuned=tuned,
        sharing=len(domain) - 1,
        looking=looking,
        neighbours=all_of_it.own - domain[0].own,
        requests=requests,
        load=load,
        planned=planned,
        grown=crowd.grown(growth).busy(all_of_it.beacons + (load - all_of_it.beacons) * growth),
        supply=carried_share(
            [Sender(many, rule, turn_us + wait_us, turn_us + wait_us, 0.0)], cell.channel.spacing.slot_us, [turn_us]
        ),
        contenders=many,
        turn_us=turn_us,
        crowd=crowd,
    )


def _airtime_line(site: Site, air: Air) -> Line:
    cell = air.cell
    share = "share of the time"
    steps = [
        Step(f"frames of its {cell.stations:.4g} stations, up", cell.up.share, share, STANDARD),
        Step("frames to them, down", cell.down.share, share, STANDARD),
        Step(f"beacons of {cell.names} network names", cell.beacons, share, "IEEE 802.11-2020 9.3.3.2, 10.1.3"),
        Step(
            f"broadcasts and multicasts, {cell.group_frames:.3g} a second at the lowest basic rate",
            cell.groups,
            share,
            "IEEE 802.11-2020 10.6.5; how many: by kind of device",
        ),
        Step(f"answers to {air.looking:.4g} stations that look around", cell.responses(air.looking), share, PRACTICE),
        Step("their requests", air.requests, share, PRACTICE),
        Step(
            f"{air.sharing} other radios that share the channel",
            air.neighbours,
            share,
            "airtime of one channel adds",
        ),
        Step("collisions", air.planned - air.load, share, "Bianchi 2000; queue by Pollaczek-Khinchine"),
        Step(
            f"what {air.contenders:.3g} contenders can fill with exchanges of {air.turn_us:.0f} us",
            air.supply,
            share,
            "Bianchi 2000, EDCA best effort",
        ),
    ]
    return Line(
        kind=Kind.AIRTIME,
        place=cell.name,
        unit=share,
        supply=air.supply,
        ceiling=site.ceilings.airtime,
        ceiling_reason="room for neighbours, repeats and peaks: common practice, no source",
        planned=air.planned,
        grown=air.grown,
        basis=STANDARD,
        steps=tuple(steps),
        inputs=(
            ("channel", str(air.tuned.channel) + ("" if cell.radio.channel else ", chosen here")),
            ("width", f"{air.tuned.width_mhz} MHz"),
            ("lowest basic rate", f"{rate_bps(cell.channel.lowest) / 1e6:g} Mb/s"),
            ("stations", f"{cell.stations:.4g}"),
            ("of these visitors, on average", f"{cell.visitors:.3g}"),
        ),
        note=_note(air),
    )


def _note(air: Air) -> str:
    cell = air.cell
    said = []
    if cell.slowest is not None:
        name, mode = cell.slowest
        said.append(f"slowest: {name} at {rate_bps(mode) / 1e6:.1f} Mb/s")
    if cell.channel.long_slot:
        said.append("an 802.11b client slows everybody down: long slots, and a CTS before each newer frame")
    saving = downlink_saving(cell.phy, cell.band, cell.radio.streams, cell.receivers)
    if saving >= 0.001:
        said.append(f"serving several clients at once could save up to {100 * saving:.1f} % (not counted)")
    return "; ".join(said)


def _fit(site: Site, air: Air) -> Fit:
    """Reckon both limits of a radio's stations for its own mix; where it has none, for small gadgets."""
    cell = air.cell
    if cell.stations:
        # Each station's broadcasts are repeated by every radio around, and each radio answers it when it looks around.
        repeated = group_share(cell.own_groups, cell.channel) * (1 + air.sharing)
        probes = cell.requests(cell.stations) + cell.responses(cell.stations) * (1 + air.sharing)
        one = (cell.up.share + cell.down.share + repeated + probes) / cell.stations
    else:
        one = _GADGET_SHARE
    fixed = max(0.0, air.load - one * cell.stations)

    def count(share: float) -> float:
        return stations_that_fit(load_that_fills(share, air.crowd.busy), fixed, one)

    return Fit(
        admitted=float(cell.radio.association_limit),
        ceiling=site.ceilings.stations,
        air_full=count(air.supply),
        air_planned=count(air.supply * site.ceilings.airtime),
    )


def _stations_line(site: Site, air: Air) -> Line:
    fit = _fit(site, air)
    stations = air.cell.stations
    unit = "stations"
    reason = (
        "the airtime ends first, and its own ceiling is what we plan to use of it"
        if fit.bound_by_air
        else "of the association limit: common practice, no source"
    )
    return Line(
        kind=Kind.STATIONS,
        place=air.cell.name,
        unit=unit,
        supply=fit.supply,
        ceiling=fit.share,
        ceiling_reason=reason,
        planned=stations,
        grown=stations * (1 + site.site.growth),
        basis=STANDARD if fit.bound_by_air else "association limit of the equipment",
        steps=(
            Step("the equipment admits", fit.admitted, unit, "the site plan"),
            Step("of these we plan to use", fit.admitted * fit.ceiling, unit, PRACTICE),
            Step("the airtime carries, of this mix, up to its ceiling", fit.air_planned, unit, STANDARD),
            Step("the airtime carries, of this mix, at most", fit.air_full, unit, STANDARD),
        ),
        inputs=(("association limit", str(air.cell.radio.association_limit)),),
        note=f"{fit.more(stations)} more like these fit" if stations else f"{fit.more(0.0)} small gadgets fit",
    )


# A gain below this is not worth a change of channel (common practice, no source): one hundredth of the time.
_WORTH_A_CHANGE = 0.01


def _channel_lines(site: Site, airs: list[Air], chosen: Sequence[Choice]) -> list[Line]:
    """Draw one line a primary channel in use: the busiest place on it; the band's busiest says what others would gain."""
    gains = {choice.band: choice for choice in chosen if choice.gained >= _WORTH_A_CHANGE}
    fullest = {
        band: max((air for air in airs if air.tuned.band is band), key=lambda air: air.planned) for band in gains
    }
    on: dict[tuple[Band, int], list[Air]] = {}
    for air in airs:
        on.setdefault((air.tuned.band, air.tuned.channel), []).append(air)
    lines = []
    for (band, channel), users in sorted(on.items()):
        worst = max(users, key=lambda air: air.planned)
        names = ", ".join(air.cell.name.removeprefix("radio:") for air in users[:4])
        more = f" and {len(users) - 4} more" if len(users) > 4 else ""
        own = worst.load - worst.neighbours - worst.requests
        lines.append(
            Line(
                kind=Kind.AIRTIME,
                place=f"channel:{band}/{channel}",
                unit="share of the time",
                supply=worst.supply,
                ceiling=site.ceilings.airtime,
                ceiling_reason="room for neighbours, repeats and peaks: common practice, no source",
                planned=worst.planned,
                grown=max(air.grown for air in users),
                basis=STANDARD,
                steps=(
                    Step(f"own cell of {worst.cell.name}, the busiest", own, "share of the time", STANDARD),
                    Step("others that it hears on shared spectrum", worst.neighbours, "share of the time", STANDARD),
                    Step("probe requests", worst.requests, "share of the time", PRACTICE),
                    Step("collisions", worst.planned - worst.load, "share of the time", "Bianchi 2000"),
                ),
                inputs=(("radios", names + more),),
                note=_gain(gains[band]) if band in gains and worst is fullest[band] else "",
            )
        )
    return lines


def _gain(choice: Choice) -> str:
    """Say which channels would be better, for as many radios as a sentence holds."""
    moves = [f"{name.removeprefix('radio:')} on {tuned.channel}" for name, tuned in choice.tuned.items()]
    listed = ", ".join(moves[:6]) + (f" and {len(moves) - 6} more" if len(moves) > 6 else "")
    return f"other channels would bring the busiest radio from {choice.before:.0%} to {choice.after:.0%}: {listed}"


def _out_of_reach(found: Mapping[str, Cell], topology: Topology) -> list[Flaw]:
    """Name the groups that none of the radios that serve them reaches."""
    served: dict[str, int] = {}
    missed: dict[str, list[Cell]] = {}
    for cell in found.values():
        for name in cell.unreached:
            missed.setdefault(name, []).append(cell)
    if missed:
        for groups in topology.stations.values():
            for group in groups:
                if group.name in missed:
                    served[group.name] = served.get(group.name, 0) + 1
    return [
        Flaw(
            "out_of_reach",
            f"device:{name}",
            f"{name} gets less signal from {radios[0].access_point} in {radios[0].band} GHz than any rate needs",
            "move the access point, add one nearer, or use 2.4 GHz, which reaches farther",
            "IEEE 802.11-2020 Table 19-23: -82 dBm for the slowest rate",
        )
        for name, radios in missed.items()
        if len(radios) == served[name]
    ]


def _channel_flaws(cell: Cell) -> list[Flaw]:
    flaws = []
    channel = cell.radio.channel
    if channel is not None and not _has_block(cell.band, channel, cell.width_mhz):
        flaws.append(
            Flaw(
                "no_such_block",
                cell.name,
                f"channel {channel} lies in no block of {cell.width_mhz} MHz",
                "choose another primary channel or a narrower width",
                "IEEE 802.11-2020 Annex E",
            )
        )
    oldest = OLDEST[cell.band]
    if list(Phy).index(cell.phy) < list(Phy).index(oldest):
        flaws.append(
            Flaw(
                "no_such_radio",
                cell.name,
                f"{cell.band} GHz has no {cell.phy}; its oldest way to send is {oldest}",
                f'write phy = "{oldest.lower()}" or a newer one',
                "IEEE 802.11-2020 clause 17, 802.11ax-2021 27.1.1",
            )
        )
    if cell.band is Band.GHZ_2_4 and channel is not None and channel not in (1, 6, 11):
        flaws.append(
            Flaw(
                "between_channels",
                cell.name,
                f"channel {channel} overlaps with two of 1, 6 and 11 and is disturbed by both",
                "use 1, 6 or 11",
                "IEEE 802.11-2020 16.3.6.3: 25 MHz between channels that are clear of each other",
            )
        )
    if cell.band is Band.GHZ_2_4 and cell.width_mhz > 20:
        flaws.append(
            Flaw(
                "wide_channel",
                cell.name,
                "40 MHz take two of the three clear channels of 2.4 GHz",
                "use 20 MHz there",
                PRACTICE,
            )
        )
    return flaws
