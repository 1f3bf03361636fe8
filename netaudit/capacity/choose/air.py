"""Cuts for the air: which access points' radios made a radio's line over, and which others would make it just as bad."""

from __future__ import annotations

from itertools import product
from math import prod
from typing import TYPE_CHECKING, Final

from netaudit.capacity import radio, visitors
from netaudit.capacity.channels import Tuned, share_spectrum
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.line import Line, State
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band
from netaudit.errors import OutOfRange
from netaudit.site.model import AccessPoint

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.capacity.choose.build import Decision
    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.ground import Ground
    from netaudit.capacity.choose.model import Proposer
    from netaudit.capacity.line import Flaw, Hazard
    from netaudit.site.model import Radio, Site

# Plans whose air is reckoned to widen one cut; each takes milliseconds, and a wide cut saves rounds.
_MOST_TRIED: Final = 64


class Air:
    """What the access points may put on the air, position by position."""

    def __init__(self, ground: Ground, choices: Iterable[Choice]) -> None:
        self._site = ground.site
        self._choices = {
            choice.ref.removeprefix("access_point:"): choice
            for choice in choices
            if choice.ref.startswith("access_point:")
        }
        self._levels = Levels(ground.site)
        self._served: dict[str, float] = {}
        self._on_band: dict[tuple[str, Band], list[Radio | None]] = {}
        self._same: dict[str, dict[tuple[Radio, ...], list[int]]] = {}
        used = {
            band
            for device in ground.site.device.values()
            for band in ((device.band,) if device.band else ground.site.profile[device.kind].bands)
            if ground.site.profile[device.kind].link == "wifi"
        }
        if visitors.KIND in ground.site.profile and any(one.guests is not None for one in ground.site.segment.values()):
            used.update(ground.site.profile[visitors.KIND].bands)
        bands = {
            frozenset(one.band for one in option.radios if one.band in used)
            for choice in self._choices.values()
            for option in choice.options
        }
        # Which radio serves a device depends on the bands that are there; where all have the same, on nothing chosen.
        self._same_bands = len(bands) <= 1

    def bound(self, proposer: Proposer) -> None:
        """
        Add the rows that hold for every set whose air passes, so that hopeless ones are never proposed.

        With the same bands and loudness everywhere, who is heard and served by whom depends on nothing chosen, and a radio's
        load is a sum over itself and those it shares spectrum with. Collisions only add to it, and what a channel can carry is
        at most all of the time; so that sum, grown, may not pass the ceiling. The summands are the ledger's own steps.
        """
        if self._same_bands and self._same_loudness():
            for name, choice in self._choices.items():
                for index, option in enumerate(choice.options):
                    if any(
                        one.association_limit * self._site.ceilings.stations < self._stations(name, one)
                        for one in option.radios
                    ):
                        proposer.forbid({choice.ref: [index]}, {})
            self._bound_load(proposer)

    def _same_loudness(self) -> bool:
        loud = {
            (one.band, one.eirp_dbm) for choice in self._choices.values() for o in choice.options for one in o.radios
        }
        return len(loud) == len({band for band, _ in loud})

    def _stations(self, name: str, one: Radio) -> float:
        """Stations of a radio with growth; they are the same whatever is chosen."""
        if not self._served:
            lines = radio.judge(self._with(dict.fromkeys(self._choices, 0))).lines
            self._served = {line.place: line.grown for line in lines if line.kind is LineKind.STATIONS}
        return self._served.get(f"radio:{name}/{one.band}", 0.0)

    def _with(self, picked: dict[str, int]) -> Site:
        points = {name: AccessPoint.model_validate(self._choices[name].options[i].row) for name, i in picked.items()}
        return self._site.model_copy(update={"access_point": points})

    def _bound_load(self, proposer: Proposer) -> None:
        ways = {name: [self._alike(name, one)[0] for one in self._ways(name)] for name in self._choices}
        own: dict[tuple[str, str, int], float] = {}
        asked: dict[str, float] = {}
        for number in range(max((len(one) for one in ways.values()), default=0)):
            picked = {name: one[min(number, len(one) - 1)] for name, one in ways.items()}
            for line in radio.judge(self._with(picked)).lines:
                if line.kind is LineKind.AIRTIME and line.place.startswith("radio:"):
                    name, _, band = line.place.removeprefix("radio:").rpartition("/")
                    load, requests = _own_load(line, 1.0 + self._site.site.growth)
                    own[name, band, picked[name]] = load
                    asked[line.place] = min(requests, asked.get(line.place, requests))
        for place, requests in asked.items():
            name, _, band = place.removeprefix("radio:").rpartition("/")
            sharing = [
                name,
                *(one for one in self._choices if one != name and self._always_shares(name, one, Band(band))),
            ]
            amounts = {}
            for one in sharing:
                options = self._choices[one].options
                amounts[self._choices[one].ref] = [
                    -own.get((one, band, self._alike(one, option)[0]), 0.0) for option in options
                ]
            proposer.at_least(amounts, requests - self._site.ceilings.airtime)

    def _always_shares(self, name: str, other: str, band: Band) -> bool:
        mine, theirs = self._radios(name, band), self._radios(other, band)
        if None in mine or None in theirs:
            return False
        loud = max(one.eirp_dbm for one in (*mine, *theirs) if one is not None)
        return self._hears(name, other, band, loud) and all(
            _overlap(band, one, far, unsure=False)
            for one in mine
            for far in theirs
            if one is not None and far is not None
        )

    def reason(self, decision: Decision, said: Line | Hazard | Flaw) -> dict[str, list[int]]:
        """Give the options that, all taken together, make the same line over or the same flaw appear."""
        picked = {name: decision.options[choice.ref] for name, choice in self._choices.items()}
        around = self._around(said.place, picked)
        reason = {name: self._same_to(said, name, picked[name]) for name in around}
        tried = [name for name in around if f"radio:{name}/" not in said.place]
        if tried and self._all_are_said(picked, tried, said):
            for name in tried:
                del reason[name]
        return {self._choices[name].ref: found for name, found in reason.items()}

    def _same_to(self, said: Line | Hazard | Flaw, name: str, option: Option) -> list[int]:
        """Number the options of a position that are the same to a line or flaw."""
        seen = self._seen(said, name, option)
        return [i for i, one in enumerate(self._choices[name].options) if self._seen(said, name, one) == seen]

    def _seen(self, said: Line | Hazard | Flaw, name: str, option: Option) -> object:
        """
        Give what a line or flaw depends on of an option.

        Where the bands are the same everywhere, who is served on which one depends on nothing else; then a radio's line has
        to do with radios of its own band alone, and how many stations others let in does not matter to it.
        """
        if not (isinstance(said, Line) and said.place.startswith("radio:") and self._same_bands):
            return option.radios
        own, _, band = said.place.removeprefix("radio:").rpartition("/")
        one = next((one for one in option.radios if one.band == band), None)
        if one is None or (name == own and said.kind is LineKind.STATIONS):
            return one
        return one.model_copy(update={"association_limit": 1})

    def _all_are_said(self, picked: dict[str, Option], tried: list[str], said: Line | Hazard | Flaw) -> bool:
        """Say whether the ledger says the same whatever hangs at the positions named; not if that is too much to try."""
        ways = [self._ways(name, said) for name in tried]
        if prod(len(one) for one in ways) > _MOST_TRIED:
            return False
        return all(self._is_said(picked | dict(zip(tried, each, strict=True)), said) for each in product(*ways))

    def _alike(self, name: str, option: Option) -> list[int]:
        """Number the options of a position that put the same on the air."""
        if name not in self._same:
            same: dict[tuple[Radio, ...], list[int]] = {}
            for index, one in enumerate(self._choices[name].options):
                same.setdefault(one.radios, []).append(index)
            self._same[name] = same
        return self._same[name][option.radios]

    def _ways(self, name: str, said: Line | Hazard | Flaw | None = None) -> list[Option]:
        """Give the options of a position that differ on the air, or to a line or flaw; of those alike, one."""
        found: dict[object, Option] = {}
        for option in self._choices[name].options:
            found.setdefault(option.radios if said is None else self._seen(said, name, option), option)
        return list(found.values())

    def _is_said(self, picked: dict[str, Option], said: Line | Hazard | Flaw) -> bool:
        points = {name: AccessPoint.model_validate(one.row) for name, one in picked.items() if one.row is not None}
        verdict = radio.judge(self._site.model_copy(update={"access_point": points}))
        if isinstance(said, Line):
            return any(
                line.kind is said.kind and line.place == said.place and line.grown_state is not State.WITHIN
                for line in verdict.lines
            )
        return any(flaw.kind == said.kind and flaw.place == said.place for flaw in verdict.flaws)

    def _around(self, place: str, picked: dict[str, Option]) -> list[str]:
        """Name the access points whose radios can matter to a place."""
        name, _, band = place.removeprefix("radio:").rpartition("/")
        if not place.startswith("radio:") or not self._same_bands:
            return list(picked)
        return [
            other for other in picked if other == name or (other != name and self._can_matter(name, other, Band(band)))
        ]

    def _can_matter(self, name: str, other: str, band: Band) -> bool:
        """Say whether some option there changes what is heard here: by being heard or not, or on shared spectrum."""
        mine, theirs = self._radios(name, band), self._radios(other, band)
        if not any(theirs) or not any(mine):
            return False
        loud = max(one.eirp_dbm for one in (*mine, *theirs) if one is not None)
        if not self._hears(name, other, band, loud):
            return False
        quiet = min(one.eirp_dbm for one in mine if one is not None)
        always = self._hears(name, other, band, quiet) and None not in theirs
        return not always or any(
            _overlap(band, one, far) for one in mine if one is not None for far in theirs if far is not None
        )

    def _radios(self, name: str, band: Band) -> list[Radio | None]:
        """Give what may hang at a position on one band, each radio once; None where an option has none."""
        if (name, band) not in self._on_band:
            each = (
                next((one for one in option.radios if one.band == band.value), None)
                for option in self._choices[name].options
            )
            self._on_band[name, band] = list(dict.fromkeys(each))
        return self._on_band[name, band]

    def _hears(self, name: str, other: str, band: Band, eirp_dbm: float) -> bool:
        return self._levels.hears(name, other, band, eirp_dbm=eirp_dbm, least_dbm=radio.HEARS_DBM)


def _own_load(line: Line, growth: float) -> tuple[float, float]:
    """
    Read off an airtime line what its radio alone puts on the channel, and what is asked for from all around, both grown.

    Beacons don't grow. A line whose steps are not the known ones bounds nothing.
    """
    own = beacons = 0.0
    for step in line.steps:
        if step.text.startswith("their requests"):
            return own * growth - beacons * (growth - 1.0), step.value * growth
        own += step.value
        beacons += step.value if step.text.startswith("beacons") else 0.0
    return 0.0, 0.0


def _overlap(band: Band, one: Radio, other: Radio, *, unsure: bool = True) -> bool:
    """Say whether two radios share spectrum; `unsure` where the ledger has yet to narrow or tune one."""
    if one.channel is None or other.channel is None:
        return unsure
    try:
        return share_spectrum(
            Tuned(band, one.channel, int(one.width_mhz)), Tuned(band, other.channel, int(other.width_mhz))
        )
    except OutOfRange:
        return unsure  # a block that isn't there is narrowed by the ledger
