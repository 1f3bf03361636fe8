"""
What an access point at a free position carries: the ledger's own figures, as tables that whole lists of sets are weighed by.

How the ledger deals devices out depends on which positions are taken: a room's own access point serves it alone, else those
of its building share it evenly, else all do. So what one carries is a sum over the places of the devices, and each summand
is read off the ledger's cell of that access point hung alone, with the devices of one place.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from netaudit.capacity import radio
from netaudit.capacity.busy import FULLEST
from netaudit.capacity.cells import cells
from netaudit.capacity.channels import Tuned, share_spectrum
from netaudit.capacity.contention import Backoff, Sender, carried_share, fixed_point
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band
from netaudit.capacity.visitors import KIND
from netaudit.site.model import AccessPoint
from netaudit.site.topology import building_of, follow

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from netaudit.capacity.airtime import Channel
    from netaudit.capacity.cells import Cell
    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.site.model import Device, Radio, Site

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Numbers = NDArray[np.int64]

# What makes one access point no choice whatever hangs beside it.
_RADIO_FLAWS: Final = frozenset(("no_such_block", "wide_channel"))
# Contenders for which the idle time of a turn is looked up. With more of them collisions cost more than idle slots spare; what
# lies between two counts differs by less than the share that is taken off.
_CONTENDERS: Final = tuple(1.0 + step / 8 for step in range(240))
_BETWEEN: Final = 0.01


class Way(NamedTuple):
    """Something that can hang somewhere: number of the position, of the radios, and one option that puts them there."""

    position: int
    kind: int
    option: Option


class Crowd(NamedTuple):
    """Devices that are dealt out alike: to their room's access point, their building's, those named, or all; -1 for none."""

    room: int
    house: int
    named: tuple[int, ...]


_EVERYBODY: Final = Crowd(-1, -1, ())


@dataclass(frozen=True, slots=True)
class Figures:
    """
    Tables by way and band.

    position, house    of each way: the number of its position and of its building (-1: none)
    limit, has         stations admitted; whether there is such a radio
    beacons, groups    shares of the time; answers, asks: the same for each station that looks around; turns of beacons and groups
    of_rooms, of_houses, of_all, of_named
                       stations, share of the time and turns a second of the devices at each position's room, in each building
                       but in none of these rooms, in no place, and of those that name the position
    hears, shares      which two ways hear each other, and which share spectrum, too; each way does both with itself
    reached            for devices that not all ways reach, the ways that do
    wait_us, idle_us   of each band: what all wait after a turn, and the time that each turn leaves unused at least
    repeats            of each band: what collisions add to a load, by how many wait in sixteenths
    is_exact           whether loads are just the ledger's, not the least that they can be
    """

    position: Numbers
    house: Numbers
    limit: Floats
    has: Bools
    beacons: Floats
    groups: Floats
    answers: Floats
    asks: Floats
    turns: Floats
    of_rooms: Floats
    of_houses: Floats
    of_all: Floats
    of_named: Floats
    hears: Bools
    shares: Bools
    reached: tuple[tuple[Crowd, Bools], ...]
    wait_us: Floats
    idle_us: Floats
    repeats: tuple[Floats, ...]
    is_exact: bool


def kinds_of(choices: Mapping[str, Choice]) -> tuple[tuple[Radio, ...], ...]:
    """List what can hang, channels aside, the cheapest first."""
    cheapest: dict[tuple[Radio, ...], float] = {}
    for choice in choices.values():
        for option in choice.options:
            if option.radios:
                radios = untuned(option.radios)
                cheapest[radios] = min(option.price, cheapest.get(radios, option.price))
    return tuple(sorted(cheapest, key=lambda radios: cheapest[radios]))


@lru_cache(maxsize=4096)  # positions times sheets
def untuned(radios: tuple[Radio, ...]) -> tuple[Radio, ...]:
    """Give radios without their channels."""
    return tuple(one.model_copy(update={"channel": None}) for one in radios)


class Loads:
    """Reads the tables off the ledger, and weighs sets with them."""

    def __init__(self, site: Site, choices: Mapping[str, Choice]) -> None:
        self.names = tuple(choices)
        self.kinds = kinds_of(choices)
        self._site = site
        self._levels = Levels(site)
        number_of = {radios: number for number, radios in enumerate(self.kinds)}
        found: dict[tuple[int, int], Way] = {}
        for position, choice in enumerate(choices.values()):
            for option in choice.options:
                if option.radios:
                    kind = number_of[untuned(option.radios)]
                    found.setdefault((position, kind), Way(position, kind, option))
        self.ways = tuple(way for way in found.values() if not self._is_flawed(way))
        self.way_of = np.full((len(self.names), len(self.kinds)), -1, dtype=np.int64)
        for index, way in enumerate(self.ways):
            self.way_of[way.position, way.kind] = index
        used = {one.band for way in self.ways for one in way.option.radios}
        self._bands = tuple(band for band in Band if band.value in used)
        buildings = [building_of(site, site.access_point[name].at) for name in self.names]
        self._houses = tuple(dict.fromkeys(one for one in buildings if one is not None))
        self._house_of = [-1 if one is None else self._houses.index(one) for one in buildings]
        self.figures = self._read()

    def hung(self, picked: Mapping[str, Option]) -> Site:
        """Give the plan with these hung and no other."""
        points = {name: AccessPoint.model_validate(option.row) for name, option in picked.items()}
        return self._site.model_copy(update={"access_point": points})

    def _alone(self, way: Way, devices: Mapping[str, Device], *, with_visitors: bool) -> Site:
        change: dict[str, object] = {"device": devices}
        if not with_visitors:
            segments = self._site.segment.items()
            change["segment"] = {name: row.model_copy(update={"guests": None}) for name, row in segments}
        return self.hung({self.names[way.position]: way.option}).model_copy(update=change)

    def _is_flawed(self, way: Way) -> bool:
        flaws = radio.judge(self._alone(way, {}, with_visitors=False)).flaws
        return any(flaw.kind in _RADIO_FLAWS for flaw in flaws)

    def _crowds(self) -> dict[Crowd, dict[str, Device]]:
        site = self._site
        at: dict[str, list[int]] = {}
        for number, name in enumerate(self.names):
            place = site.access_point[name].at
            if place is not None:
                at.setdefault(place, []).append(number)
        found: dict[Crowd, dict[str, Device]] = {}
        if KIND in site.profile and any(one.guests is not None for one in site.segment.values()):
            found[_EVERYBODY] = {}
        for name, device in site.device.items():
            if site.profile[device.kind].link != "wifi":
                continue
            here = at.get(device.at, []) if device.at is not None else []
            building = building_of(site, device.at)
            house = self._houses.index(building) if building in self._houses else -1
            crowd = Crowd(here[0] if here else -1, house, ())
            if device.access_points:
                crowd = Crowd(-1, -1, tuple(self.names.index(one) for one in device.access_points))
            elif len(here) > 1:  # several in a place are there because the plan names them
                crowd = Crowd(-1, -1, tuple(here))
            # How many share it is known from the names, so that each way can be asked alone.
            found.setdefault(crowd, {})[name] = device.model_copy(update={"access_points": ()})
        return found

    def _read(self) -> Figures:
        shape = len(self.ways), len(self._bands)
        limit, beacons, groups, answers, asks, turns = (np.zeros(shape) for _ in range(6))
        has = np.zeros(shape, dtype=np.bool_)
        of_rooms, of_houses = np.zeros((*shape, 3, len(self.names))), np.zeros((*shape, 3, len(self._houses)))
        of_all, of_named = np.zeros((*shape, 3)), np.zeros((*shape, 3))
        crowds = self._crowds()
        kinds = {device.kind for found in crowds.values() for device in found.values()}
        is_exact = all(self._site.profile[kind].phy != "dsss" for kind in kinds)
        reached = {crowd: np.zeros((len(found), len(self.ways)), dtype=np.bool_) for crowd, found in crowds.items()}
        shortest_us = [float("inf")] * len(self._bands)
        channels: dict[int, Channel] = {}
        everybody = {name: row for found in crowds.values() for name, row in found.items()}
        wired = {name: row for name, row in self._site.device.items() if name not in everybody}
        for index, way in enumerate(self.ways):
            whole = self._cells(self._alone(way, {**wired, **everybody}, with_visitors=True))
            for name, cell in self._cells(self._alone(way, {}, with_visitors=False)).items():
                band = self._bands.index(cell.band)
                # Broadcasts are repeated everywhere, whoever serves their senders.
                cell.group_frames = whole[name].group_frames
                channels[band] = cell.channel
                has[index, band], limit[index, band] = True, cell.radio.association_limit
                beacons[index, band], groups[index, band] = cell.beacons, cell.groups
                answers[index, band], asks[index, band] = cell.responses(1.0), cell.requests(1.0)
                turns[index, band] = cell.sends.turns_per_s
                shortest_us[band] = min(shortest_us[band], _turn_us(*cell.sends))
            for crowd, found in crowds.items():
                if crowd.named and way.position not in crowd.named:
                    continue
                site = self._alone(way, found, with_visitors=crowd == _EVERYBODY)
                missed = set(follow(site).unserved)
                is_exact = is_exact and not missed
                for cell in self._cells(site).values():
                    band = self._bands.index(cell.band)
                    missed.update(cell.unreached)
                    share, per_s = cell.up.share + cell.down.share, cell.up.turns_per_s + cell.down.turns_per_s
                    shortest_us[band] = min(shortest_us[band], _turn_us(share, per_s))
                    amounts = np.array((cell.stations, share, per_s))
                    if crowd.named:
                        of_named[index, band] += amounts / len(crowd.named)
                    elif crowd.room >= 0:
                        of_rooms[index, band, :, crowd.room] += amounts
                    elif crowd.house >= 0:
                        of_houses[index, band, :, crowd.house] += amounts
                    else:
                        of_all[index, band] += amounts
                reached[crowd][:, index] = [name not in missed for name in found]
        waits = [radio.waiting(channels[band]) for band in range(len(self._bands))]
        hears, shares = self._hearing()
        return Figures(
            position=np.array([way.position for way in self.ways], dtype=np.int64),
            house=np.array([self._house_of[way.position] for way in self.ways], dtype=np.int64),
            limit=limit,
            has=has,
            beacons=beacons,
            groups=groups,
            answers=answers,
            asks=asks,
            turns=turns,
            of_rooms=of_rooms,
            of_houses=of_houses,
            of_all=of_all,
            of_named=of_named,
            hears=hears,
            shares=shares,
            reached=_unlike(reached),
            wait_us=np.array([wait_us for _, wait_us in waits]),
            idle_us=np.array([least_idle_us(channels[band], turn_us) for band, turn_us in enumerate(shortest_us)]),
            repeats=tuple(repeats(rule) for rule, _ in waits),
            is_exact=is_exact,
        )

    def _cells(self, site: Site) -> dict[str, Cell]:
        return cells(site, follow(site), self._levels)

    def _hearing(self) -> tuple[Bools, Bools]:
        """Say which ways at two positions hear each other on each band, and which of them share spectrum, too."""
        many = len(self.ways)
        hears = np.zeros((many, many, len(self._bands)), dtype=np.bool_)
        shares = hears.copy()
        for band, name in enumerate(self._bands):
            tuned = [self._tuned(way, name) for way in self.ways]
            for one, way in enumerate(self.ways):
                mine = tuned[one]
                if mine is None:
                    continue
                hears[one, one, band] = shares[one, one, band] = True
                for other in range(one):
                    theirs, far = tuned[other], self.ways[other]
                    if theirs is None or far.position == way.position:
                        continue
                    heard = self._levels.hears(
                        self.names[way.position],
                        self.names[far.position],
                        name,
                        eirp_dbm=max(mine[0], theirs[0]),
                        least_dbm=radio.HEARS_DBM,
                    )
                    hears[one, other, band] = hears[other, one, band] = heard
                    sharing = heard and share_spectrum(mine[1], theirs[1])
                    shares[one, other, band] = shares[other, one, band] = sharing
        return hears, shares

    def _tuned(self, way: Way, band: Band) -> tuple[float, Tuned] | None:
        """Give a way's loudness and channel on a band; ways with a channel that isn't there have been left out."""
        one = next((one for one in way.option.radios if one.band == band.value), None)
        if one is None or one.channel is None:
            return None
        return one.eirp_dbm, Tuned(band, one.channel, int(one.width_mhz))

    def least(self, sorts: Sequence[Collection[int]]) -> tuple[Figures, Numbers]:
        """
        Give figures that no way of some kinds falls short of: one way a position for each sort, which is some of the kinds.

        Each figure is the least of its own, and two ways hear each other where all that they stand for do. What is left only
        shrinks with each of them, so a set that doesn't pass with them doesn't with any of these kinds.

        Returns:   figures; for each position and sort its way in them, -1 where none of these kinds can hang.
        """
        known = self.figures
        way_of = np.full((len(self.names), len(sorts)), -1, dtype=np.int64)
        of: list[list[int]] = []
        for (position, column), _ in np.ndenumerate(way_of):
            found = [int(self.way_of[position, kind]) for kind in sorts[column]]
            if found := [index for index in found if index >= 0]:
                way_of[position, column] = len(of)
                of.append(found)

        def all_of(table: NDArray[Any], merge: np.ufunc) -> NDArray[Any]:
            return np.stack([merge.reduce(table[found], axis=0) for found in of])

        def pairs(table: Bools) -> Bools:
            rows = np.stack([table[found].all(axis=0) for found in of])
            both = np.stack([rows[:, found].all(axis=1) for found in of], axis=1)
            # Of one position only one way hangs: it takes part in its own air, and none of the others does.
            for index, found in enumerate(of):
                both[index, index] = table[found, found].all(axis=0)
            return both

        few = np.minimum
        return Figures(
            position=known.position[[found[0] for found in of]],
            house=known.house[[found[0] for found in of]],
            limit=all_of(known.limit, np.maximum),
            has=all_of(known.has, np.logical_and),
            beacons=all_of(known.beacons, few),
            groups=all_of(known.groups, few),
            answers=all_of(known.answers, few),
            asks=all_of(known.asks, few),
            turns=all_of(known.turns, few),
            of_rooms=all_of(known.of_rooms, few),
            of_houses=all_of(known.of_houses, few),
            of_all=all_of(known.of_all, few),
            of_named=all_of(known.of_named, few),
            hears=pairs(known.hears),
            shares=pairs(known.shares),
            reached=tuple((crowd, np.array([good[found].any() for found in of])) for crowd, good in known.reached),
            wait_us=known.wait_us,
            idle_us=known.idle_us,
            repeats=known.repeats,
            is_exact=known.is_exact and all(len(found) == 1 for found in of),
        ), way_of

    def slack(self, figures: Figures, sets: Numbers, ways: Numbers) -> Floats:
        """
        Weigh sets of access points: how much is left at the line that has least left; below 0 the ledger says no.

        Never less than what the ledger leaves: loads are the ledger's, grown, with their collisions, and of what exchanges
        fill at most the least idle time of any number of contenders is taken off.

        Args:      sets: numbers of positions, a row a set; ways: the same as ways of `figures`, for each set several rows of them.
        Returns:   a row a set, a column for each of its ways.
        """
        growth, ceilings = 1.0 + self._site.site.growth, self._site.ceilings
        served = _served(figures, self._house_of, sets)
        here = served[np.arange(len(sets))[:, None, None], ways]
        stations, share, per_s = here[..., 0], here[..., 1], here[..., 2] + figures.turns[ways]
        near, far = ways[..., :, None], ways[..., None, :]
        looking = _around(figures.hears[near, far], stations[..., None])[..., 0]
        beacons, groups = figures.beacons[ways], figures.groups[ways]
        sent = share + beacons + groups
        counts = np.stack(
            (sent + figures.answers[ways] * looking, beacons, sent, per_s, stations + figures.has[ways]), axis=-1
        )
        summed = _around(figures.shares[near, far], counts)
        load, beacon, sending, turns, senders = (summed[..., index] for index in range(5))
        load = load + figures.asks[ways] * looking
        grown = beacon + (load - beacon) * growth
        taken = np.minimum(grown + turns * growth * figures.wait_us / 1e6, FULLEST)
        waiting = np.minimum(np.maximum(0.0, senders * growth - 1.0), taken * taken / (2.0 * (1.0 - taken)))
        steps = np.round(16.0 * waiting).astype(np.int64)
        repeated = np.stack([table[steps[..., band]] for band, table in enumerate(figures.repeats)], axis=-1)
        grown = grown * (1.0 + repeated)
        idle = figures.idle_us / 1e6 * turns
        # The supply is at most sent / (sent + idle). Where the figures are a least only, what is sent is at most the load.
        if figures.is_exact:
            left = ceilings.airtime * sending / np.maximum(sending + idle, 1e-300) - grown
        else:
            left = ceilings.airtime - grown - idle
        admitted = figures.limit[ways] * ceilings.stations - stations * growth
        left = np.minimum(left, admitted / np.maximum(1.0, figures.limit[ways]))
        worst = np.where(figures.has[ways], left, np.inf).min(axis=(2, 3))
        return np.where(_reach(figures, self._house_of, sets, ways), worst, -np.inf)


def _around(pairs: Bools, amounts: Floats) -> Floats:
    """Add up amounts over those that each is paired with: sets, orders, each, band, what is counted."""
    found = np.zeros(amounts.shape)
    for other in range(amounts.shape[2]):
        found += pairs[:, :, :, other, :, None] * amounts[:, :, other, None, :, :]
    return found


def _served(figures: Figures, house_of: Sequence[int], sets: Numbers) -> Floats:
    """Add up what each way serves in each set in which its position is taken: sets, ways, bands, what is counted."""
    taken = np.zeros((len(sets), len(house_of)))
    np.put_along_axis(taken, sets, 1.0, axis=1)
    houses = np.array(house_of, dtype=np.int64)
    of_all = 1.0 / sets.shape[1]
    always = figures.of_named + figures.of_rooms[np.arange(len(figures.position)), ..., figures.position]
    found = np.broadcast_to(always + figures.of_all * of_all, (len(sets), *figures.of_all.shape)).copy()
    for house in {-1, *house_of}:
        rooms = np.flatnonzero(houses == house)
        apart = np.einsum(
            "sr,wbqr->swbq", 1.0 - taken[:, rooms], figures.of_rooms[..., rooms]
        )  # BLAS would start threads
        share = np.full((len(sets), len(figures.position)), of_all)
        if house >= 0:
            apart = apart + figures.of_houses[..., house]
            count = taken[:, rooms].sum(axis=1)[:, None]
            share = np.where(count > 0, (figures.house == house) / np.maximum(count, 1.0), share)
        found += share[:, :, None, None] * apart
    return found


def _reach(figures: Figures, house_of: Sequence[int], sets: Numbers, ways: Numbers) -> Bools:
    """Say whether each device has an access point that serves and reaches it, in each set with each of its ways."""
    well = np.ones(ways.shape[:2], dtype=np.bool_)
    houses = np.array(house_of, dtype=np.int64)[sets]
    for crowd, good in figures.reached:
        if crowd.named:
            serving = np.isin(sets, crowd.named)
        else:
            serving = np.ones(sets.shape, dtype=np.bool_)
            if crowd.house >= 0:
                near = houses == crowd.house
                serving = np.where(near.any(axis=1)[:, None], near, serving)
            if crowd.room >= 0:
                own = sets == crowd.room
                serving = np.where(own.any(axis=1)[:, None], own, serving)
        well &= (good[ways] & serving[:, None, :]).any(axis=2)
    return well


def _unlike(reached: Mapping[Crowd, Bools]) -> tuple[tuple[Crowd, Bools], ...]:
    """Leave out devices that everything reaches, and of those that the same reaches all but one."""
    return tuple(
        (crowd, good)
        for crowd, table in reached.items()
        if len(table)
        for good in np.unique(table, axis=0)
        if not good.all()
    )


def _turn_us(share: float, per_s: float) -> float:
    return 1e6 * share / per_s if per_s else float("inf")


@lru_cache(maxsize=16)  # a rule a band
def repeats(rule: Backoff) -> Floats:
    """List what collisions add to a load, by how many wait in sixteenths: the ledger's steps."""
    most = round(16 * FULLEST * FULLEST / (2 * (1 - FULLEST)))
    chances = [fixed_point(1 + step / 16, rule)[1] for step in range(most + 1)]
    return np.array([chance / (1 - chance) / 2 for chance in chances])


@lru_cache(maxsize=256)  # bands and shortest turns of a few plans
def least_idle_us(channel: Channel, turn_us: float) -> float:
    """
    Give the time that each turn leaves unused at least, whatever the number of contenders [us].

    Longer turns lose more in collisions, so it holds for all that are no shorter.
    """
    if turn_us == float("inf"):
        return 0.0
    rule, wait_us = radio.waiting(channel)
    slot_us = channel.spacing.slot_us
    shares = (
        carried_share([Sender(count, rule, turn_us + wait_us, turn_us + wait_us, 0.0)], slot_us, [turn_us])
        for count in _CONTENDERS
    )
    return (1.0 - _BETWEEN) * min(turn_us / share - turn_us for share in shares)
