"""Free positions: how many access points must hang for each to carry its part, and which devices need one that reaches."""

from __future__ import annotations

from itertools import chain, combinations
from math import comb
from typing import TYPE_CHECKING, Final

from netaudit.capacity import radio
from netaudit.capacity.cells import cells
from netaudit.capacity.places import Levels
from netaudit.capacity.visitors import KIND
from netaudit.site.model import AccessPoint
from netaudit.site.topology import follow

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from netaudit.capacity.cells import Cell
    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.model import Proposer
    from netaudit.site.model import Radio, Site

    Names = frozenset[str]
    Radios = tuple[Radio, ...]

# Sets of positions that are looked at, a millisecond or two each with a handful of sheets: all that 9 positions have, and of
# more positions the small ones.
_MOST_SETS: Final = 512
_UNREACHED: Final = ("no_radio", "out_of_reach")
_ROUNDING: Final = 1e-9  # sums of loads differ from their mathematical value in the last digits


class Positions:
    """
    Sets of positions, and what each access point of a set carries at least.

    How the ledger deals devices out depends on which positions are taken and on the bands there. Where every sheet has a
    band for every device, the stations of an access point are known by the set and its own sheet, and so are the loads that
    they bring; what it hears of others only adds to them.
    """

    def __init__(self, site: Site, choices: Mapping[str, Choice]) -> None:
        self._site = site
        self._choices = choices
        self._levels = Levels(site)
        self._radios = {name: _by_radios(choice) for name, choice in choices.items()}
        self._known: dict[Names, dict[str, set[Radios]]] = {}
        # Where devices name their access points, a plan without one of these is no plan at all.
        self._is_free = not any(device.access_points for device in site.device.values())
        self._is_counted = self._is_free and all(
            self._serves_everybody(radios) for found in self._radios.values() for radios in found
        )

    def _serves_everybody(self, radios: Radios) -> bool:
        bands = {one.band for one in radios}
        profiles = self._site.profile
        wanted = [
            {device.band} if device.band is not None else set(profiles[device.kind].bands)
            for device in self._site.device.values()
            if profiles[device.kind].link == "wifi"
        ]
        if KIND in profiles and any(segment.guests is not None for segment in self._site.segment.values()):
            wanted.append(set(profiles[KIND].bands))
        return all(bands & one for one in wanted)

    def bound(self, proposer: Proposer) -> None:
        """Add rows that hold for every set that the ledger passes."""
        if self._is_free:
            self._bound_reach(proposer)
        if self._is_counted:
            self._bound_number(proposer)

    def _bound_reach(self, proposer: Proposer) -> None:
        """
        Ask for an access point that reaches it, for each group of devices.

        One that hangs alone serves every device. Those that don't reach a group alone don't reach it together, because each of
        them serves the same groups or fewer, at the same levels.
        """
        missed: dict[str, dict[str, set[Radios]]] = {}
        for name, found in self._radios.items():
            for radios, indices in found.items():
                alone = self._hung({name: self._choices[name].options[indices[0]]})
                for flaw in radio.judge(alone).flaws:
                    if flaw.kind in _UNREACHED:
                        missed.setdefault(flaw.place, {}).setdefault(name, set()).add(radios)
        for of in missed.values():
            amounts = {
                choice.ref: [
                    float(bool(option.radios) and option.radios not in of.get(name, ())) for option in choice.options
                ]
                for name, choice in self._choices.items()
            }
            proposer.at_least(amounts, 1.0)

    def _bound_number(self, proposer: Proposer) -> None:
        """Ask, for each position and what may hang there, for as many access points as the least set has that it carries."""
        hopeless = {(name, radios) for name, found in self._radios.items() for radios in found}
        least = dict.fromkeys(hopeless, 1)
        for size in range(1, len(self._choices) + 1):
            if len(self._known) + comb(len(self._choices), size) > _MOST_SETS:
                break
            for names in map(frozenset, combinations(sorted(self._choices), size)):
                hopeless -= {
                    (name, radios)
                    for name, radios in hopeless
                    if name in names and not self._is_over(names, name, radios)
                }
            least |= dict.fromkeys(hopeless, size + 1)
        for (name, radios), number in least.items():
            amounts = {
                choice.ref: [float(bool(option.radios)) for option in choice.options]
                for choice in self._choices.values()
            }
            for index in self._radios[name][radios]:
                amounts[self._choices[name].ref][index] -= number
            if number > 1:
                proposer.at_least(amounts, 0.0)

    def widen(self, picked: Mapping[str, Option], place: str) -> dict[str, list[int]] | None:
        """
        Widen what a radio's line has refused: from one set of positions to all parts of a larger one.

        Returns:   the options never to be taken all at once: at the radio's position what is overloaded in every part of the
                   larger set, elsewhere whatever leaves out the positions beyond it. None where the radio is not overloaded
                   by what it carries itself.
        """
        name = place.removeprefix("radio:").rpartition("/")[0]
        names = frozenset(name for name, option in picked.items() if option.radios)
        if not self._is_counted or name not in names or 2 ** len(names) > _MOST_SETS:
            return None
        hopeless = self._hopeless(names, name)
        if picked[name].radios not in hopeless:
            return None
        for other in sorted(set(self._choices) - names):
            if 2 ** (len(names) + 1) <= _MOST_SETS and (larger := self._hopeless(names | {other}, name)) == hopeless:
                names, hopeless = names | {other}, larger
        beyond = {
            self._choices[other].ref: [i for i, option in enumerate(self._choices[other].options) if not option.radios]
            for other in self._choices
            if other not in names
        }
        here = [index for radios in hopeless for index in self._radios[name][radios]]
        return {self._choices[name].ref: here, **beyond}

    def _hopeless(self, names: Names, name: str) -> set[Radios]:
        """Name what is overloaded at a position in every part of a set."""
        others = sorted(names - {name})
        parts = chain.from_iterable(combinations(others, size) for size in range(len(others) + 1))
        left = set(self._radios[name])
        for part in parts:
            left = {one for one in left if self._is_over(frozenset((name, *part)), name, one)}
            if not left:
                break
        return left

    def _is_over(self, names: Names, name: str, radios: Radios) -> bool:
        """Say whether one of a set's access points carries more by itself than the ledger lets it."""
        if names not in self._known:
            self._known[names] = self._overloaded(names)
        return radios in self._known[names][name]

    def _overloaded(self, names: Names) -> dict[str, set[Radios]]:
        over: dict[str, set[Radios]] = {name: set() for name in names}
        for picked in self._ways(names):
            site = self._hung(picked)
            for cell in cells(site, follow(site), self._levels).values():
                if self._is_full(cell):
                    over[cell.access_point].add(picked[cell.access_point].radios)
        return over

    def _ways(self, names: Names) -> Iterator[dict[str, Option]]:
        """Hang each thing that may hang at each position once."""
        ways = {name: [indices[0] for indices in self._radios[name].values()] for name in sorted(names)}
        for number in range(max(map(len, ways.values()))):
            yield {
                name: self._choices[name].options[found[min(number, len(found) - 1)]] for name, found in ways.items()
            }

    def _is_full(self, cell: Cell) -> bool:
        """
        Say whether a cell alone is over a ceiling of its radio, grown.

        Collisions and others on the channel come on top, and exchanges fill at most all of the time.
        """
        growth, ceilings = 1.0 + self._site.site.growth, self._site.ceilings
        if cell.stations * growth > cell.radio.association_limit * ceilings.stations + _ROUNDING:
            return True
        traffic = cell.up.share + cell.down.share + cell.groups
        looking = cell.responses(cell.stations) + cell.requests(cell.stations)
        return cell.beacons + (traffic + looking) * growth > ceilings.airtime + _ROUNDING

    def _hung(self, picked: Mapping[str, Option]) -> Site:
        points = {name: AccessPoint.model_validate(option.row) for name, option in picked.items()}
        return self._site.model_copy(update={"access_point": points})


def _by_radios(choice: Choice) -> dict[Radios, list[int]]:
    """Number the options that put the same on the air."""
    found: dict[Radios, list[int]] = {}
    for index, option in enumerate(choice.options):
        if option.radios:
            found.setdefault(option.radios, []).append(index)
    return found
