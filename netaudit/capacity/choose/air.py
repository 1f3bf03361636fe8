"""Cuts for the air: which access points' radios made a radio's line over, and which others would make it just as bad."""

from __future__ import annotations

from itertools import product
from math import prod
from typing import TYPE_CHECKING, Final

from netaudit.capacity import radio
from netaudit.capacity.channels import Tuned, share_spectrum
from netaudit.capacity.line import Kind as LineKind
from netaudit.capacity.line import Line, State
from netaudit.capacity.places import Levels
from netaudit.capacity.rates import Band, ht
from netaudit.capacity.sensitivity import minimum_dbm
from netaudit.errors import OutOfRange
from netaudit.site.model import AccessPoint

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.capacity.choose.build import Decision
    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.ground import Ground
    from netaudit.capacity.choose.model import Proposer
    from netaudit.capacity.line import Flaw, Hazard
    from netaudit.site.model import Radio

# Plans whose air is reckoned to widen one cut; each takes milliseconds, and a wide cut saves rounds.
_MOST_TRIED: Final = 64


class Air:
    """What the access points may put on the air, position by position."""

    def __init__(self, ground: Ground, choices: Iterable[Choice]) -> None:
        self._site = ground.site
        self._free = ground.free
        self._choices = {
            choice.ref.removeprefix("access_point:"): choice
            for choice in choices
            if choice.ref.startswith("access_point:")
        }
        self._levels = Levels(ground.site)
        used = {
            band
            for device in ground.site.device.values()
            for band in ((device.band,) if device.band else ground.site.profile[device.kind].bands)
            if ground.site.profile[device.kind].link == "wifi"
        }
        bands = {
            frozenset(one.band for one in option.radios if one.band in used)
            for choice in self._choices.values()
            for option in choice.options
        }
        # Which radio serves a device depends on the bands that are there; where all have the same, on nothing chosen.
        self._same_bands = len(bands) <= 1

    def bound_stations(self, proposer: Proposer) -> None:
        """
        Ask for enough radios at free positions: no radio's line lets more stations in than the ceiling's share of its limit.

        That is the most that the line's usable part can be, whatever the air says; the stations are the ledger's.
        """
        if not self._free:
            return
        share = self._site.ceilings.stations
        lines = radio.judge(self._site).lines
        wanted = sum(line.grown for line in lines if line.kind is LineKind.STATIONS)
        amounts = {
            choice.ref: [share * sum(one.association_limit for one in option.radios) for option in choice.options]
            for choice in self._choices.values()
        }
        proposer.at_least(amounts, wanted)

    def reason(self, decision: Decision, said: Line | Hazard | Flaw) -> dict[str, list[int]]:
        """Give the options that, all taken together, make the same line over or the same flaw appear."""
        picked = {name: decision.options[choice.ref] for name, choice in self._choices.items()}
        alike = {name: self._alike(name, option) for name, option in picked.items()}
        around = self._around(said.place, picked)
        reason = {name: alike[name] for name in around}
        tried = [name for name in around if f"radio:{name}/" not in said.place]
        if self._free:
            # Closed positions stay closed; the open ones are tried with everything that can hang there.
            tried = [name for name in around if picked[name].radios]
        if tried and self._all_are_said(picked, tried, said):
            for name in tried:
                if self._free:
                    reason[name] = [i for i, one in enumerate(self._choices[name].options) if one.radios]
                else:
                    del reason[name]
        return {self._choices[name].ref: found for name, found in reason.items()}

    def _all_are_said(self, picked: dict[str, Option], tried: list[str], said: Line | Hazard | Flaw) -> bool:
        """Say whether the ledger says the same whatever hangs at the positions named; not if that is too much to try."""
        ways = [self._ways(name, opened=self._free) for name in tried]
        if prod(len(one) for one in ways) > _MOST_TRIED:
            return False
        return all(self._is_said(picked | dict(zip(tried, each, strict=True)), said) for each in product(*ways))

    def _alike(self, name: str, option: Option) -> list[int]:
        return [i for i, one in enumerate(self._choices[name].options) if one.radios == option.radios]

    def _ways(self, name: str, *, opened: bool) -> list[Option]:
        found: dict[tuple[Radio, ...], Option] = {}
        for option in self._choices[name].options:
            if option.radios or not opened:
                found.setdefault(option.radios, option)
        return list(found.values())

    def _is_said(self, picked: dict[str, Option], said: Line | Hazard | Flaw) -> bool:
        points = {name: AccessPoint.model_validate(one.row) for name, one in picked.items() if one.row is not None}
        verdict = radio.judge(self._site.model_copy(update={"access_point": points}))
        if isinstance(said, Line):
            return any(
                line.kind is said.kind and line.place == said.place and line.grown_state is not State.WITHIN
                for line in verdict.lines
            ) or not any(line.place == said.place for line in verdict.lines if self._free)
        return any(flaw.kind == said.kind and flaw.place == said.place for flaw in verdict.flaws)

    def _around(self, place: str, picked: dict[str, Option]) -> list[str]:
        """Name the access points whose radios can matter to a place."""
        name, _, band = place.removeprefix("radio:").rpartition("/")
        if not place.startswith("radio:") or not self._same_bands or self._free:
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
        return [
            next((one for one in option.radios if one.band == band.value), None)
            for option in self._choices[name].options
        ]

    def _hears(self, name: str, other: str, band: Band, eirp_dbm: float) -> bool:
        return self._levels.hears(name, other, band, eirp_dbm=eirp_dbm, least_dbm=minimum_dbm(ht(0)))


def _overlap(band: Band, one: Radio, other: Radio) -> bool:
    if one.channel is None or other.channel is None:
        return True
    try:
        return share_spectrum(
            Tuned(band, one.channel, int(one.width_mhz)), Tuned(band, other.channel, int(other.width_mhz))
        )
    except OutOfRange:
        return True  # a block that isn't there is narrowed by the ledger; reckon with the worst
