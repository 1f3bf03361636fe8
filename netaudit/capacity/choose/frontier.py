"""The options side by side, from cheapest to generous: what each costs, what it has left, and what a step up buys."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, get_args

from netaudit.capacity.choose.refusal import is_standing
from netaudit.capacity.choose.search import CENT, Chosen, always, choose
from netaudit.capacity.growth import years_left
from netaudit.capacity.ledger import Ledger, gather
from netaudit.capacity.line import Kind, Line
from netaudit.capacity.money import bill
from netaudit.errors import NoSolution
from netaudit.site.load import build_site, shape_site
from netaudit.site.model import Phy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from netaudit.capacity.choose.rows import Row
    from netaudit.site.equipment import AccessPointSheet, Equipment
    from netaudit.site.model import Site

GROWN: Final = "grown"
AS_DRAWN: Final = "as drawn"
# Years that the longer options are sized for, at the plan's yearly growth: common practice, no source.
_LONGER_YEARS: Final = 5
_PHYS: Final = get_args(Phy)  # in the order of their standards
# Share of the plan's own ceilings of airtime and stations that the roomier options keep to: common practice, no source.
_CALM_AIR: Final = 0.75
# Things without a price that a sentence names; whoever sees these finds the others.
_NAMED: Final = 3


@dataclass(frozen=True, slots=True)
class Wish:
    """
    What an option is sized for: growth margin, and the share of the radio ceilings that it keeps to.

    tidy: no injectors and one switch a closet; newest: only the newest radios and the fastest router.
    """

    name: str
    text: str
    growth: float
    air: float = 1.0
    tidy: bool = False
    newest: bool = False

    def covers(self, other: Wish) -> bool:
        """Say whether a set for this wish is one for another, too."""
        return (
            self.growth >= other.growth
            and self.air <= other.air
            and self.tidy >= other.tidy
            and self.newest >= other.newest
        )


@dataclass(frozen=True, slots=True)
class Figures:
    """
    What a plan has, by its ledger with the plan's own growth and ceilings.

    powered_ports on switches, watts_left under their ceilings; busiest: airtime of the busiest radio and its name;
    stations_left under the radios' ceilings; years until the first line of equipment passes its ceiling, and which that is
    (addresses and the way out are outgrown whatever is bought).
    """

    price: float
    powered_ports: int
    watts_left: float
    busiest: float
    busiest_radio: str
    stations_left: float
    years: float
    limit: Line | None


@dataclass(frozen=True, slots=True)
class Offer:
    """
    One option: what it is for, what it has, what is bought (reference -> sheets), and the plan with it.

    bound: it is proven that nothing for this wish costs less.
    """

    wish: Wish
    figures: Figures
    bought: Mapping[str, tuple[str, ...]]
    raw: Row
    site: Site
    bound: float

    @property
    def proven(self) -> bool:
        """Whether nothing that is cheaper does the same."""
        return self.bound >= self.figures.price - CENT


@dataclass(frozen=True, slots=True)
class Frontier:
    """Options by price, why others are none, and whether the plan left it open where access points hang."""

    offers: tuple[Offer, ...]
    refused: tuple[tuple[Wish, str], ...]
    free: bool = False

    def offer(self, name: str) -> Offer | None:
        """Find an option by name."""
        return next((one for one in self.offers if one.wish.name == name), None)


def wishes(site: Site) -> tuple[Wish, ...]:
    """List what options are sized for, by the plan's own growth."""
    growth, yearly = site.site.growth, site.site.growth_per_year
    found = [
        Wish("today", "carries what there is today, with nothing to spare beyond the ceilings", 0.0),
        Wish(GROWN, f"carries {growth * 100:g} % more, as the plan asks", growth),
    ]
    five_years = (1.0 + yearly) ** _LONGER_YEARS - 1.0
    if five_years > growth:
        text = f"carries {_LONGER_YEARS} years of growth, {five_years * 100:.0f} % more"
        found.append(Wish(f"{_LONGER_YEARS}-years", text, five_years))
    on_air = bool(site.access_point) or any(site.profile[one.kind].link == "wifi" for one in site.device.values())
    if on_air:
        calm = f"keeps radios under {_CALM_AIR * 100:g} % of their ceilings"
        found.append(Wish("calm-air", f"carries {growth * 100:g} % more and {calm}", growth, _CALM_AIR))
    tidy = f"carries {growth * 100:g} % more without injectors, from one switch a closet"
    found.append(Wish("tidy", tidy, growth, tidy=True))
    most = max(growth, five_years)
    newest = "the newest radios and the fastest router" if on_air else "the fastest router"
    generous = f"carries {most * 100:.0f} % more, tidy, with {newest}"
    found.append(Wish("generous", generous, most, tidy=True, newest=True))
    return tuple(found)


def _sheets_for(equipment: Equipment, wish: Wish) -> Equipment:
    """Leave out the sheets that a wish does not want."""
    changed: dict[str, object] = {}
    if wish.tidy:
        changed["injector"] = {}
    if wish.newest:
        newest = {
            outdoor: max((_age(one) for one in equipment.access_point.values() if one.outdoor is outdoor), default=0)
            for outdoor in (True, False)
        }
        changed["access_point"] = {
            name: one for name, one in equipment.access_point.items() if _age(one) == newest[one.outdoor]
        }
        fastest_bps = max((one.routed_bps for one in equipment.router.values()), default=0.0)
        changed["router"] = {name: one for name, one in equipment.router.items() if one.routed_bps == fastest_bps}
    return equipment.model_copy(update=changed)


def _age(sheet: AccessPointSheet) -> int:
    """Rank an access point by its newest radio, later standards higher."""
    return max(_PHYS.index(radio.phy) for radio in sheet.radio)


def frontier(
    raw: Row,
    equipment: Equipment,
    *,
    file: str = "site.toml",
    text: str = "",
    watch: Callable[[], Callable[[], bool]] = lambda: always,
) -> Frontier:
    """
    Choose once for each wish. Wishes that lead to the same set are one option, named after the most that it carries; so are
    those of which one asks for more and costs no more.

    Args:      watch: gives for each wish what says whether to go on looking; always, when left out.
    Raises:    PlanError: the plan is wrong.
    """
    site = shape_site(raw, file, text)
    chosen_for: list[Offer] = []
    refused: list[tuple[Wish, str]] = []
    for wish in wishes(site):
        try:
            chosen = choose(
                _wished(raw, site, wish),
                _sheets_for(equipment, wish),
                file=file,
                text=text,
                only_bought=wish.growth > site.site.growth,
                go_on=watch(),
            )
        except NoSolution as error:
            refused.append((wish, str(error)))
            continue
        chosen_for.append(_offer(raw, chosen, wish, file))
    offers: dict[tuple[tuple[str, tuple[str, ...]], ...], Offer] = {}
    for offer in (_for_no_more(one, chosen_for) for one in chosen_for):
        same = tuple(sorted(offer.bought.items()))
        # What the plan asks for keeps its name; else the wish that asks for more names the set.
        if same not in offers or offers[same].wish.name != GROWN:
            offers[same] = offer
    found = tuple(sorted(offers.values(), key=lambda one: one.figures.price))
    return Frontier(found, tuple(refused), free=not site.access_point)


def _for_no_more(offer: Offer, all_of_them: Iterable[Offer]) -> Offer:
    """Give for a wish the set of one that asks for more, where that costs no more: nobody would take less for his money."""
    for other in all_of_them:
        if other.wish.covers(offer.wish) and other.figures.price <= offer.figures.price + CENT:
            offer = replace(other, wish=offer.wish, bound=offer.bound)
    return offer


def as_drawn(raw: Row, *, file: str = "site.toml", text: str = "") -> Offer:
    """
    Give the plan as it is drawn, with its own prices, as an option to compare.

    Raises:    PlanError: it is not complete.
    """
    site = build_site(raw, file, text)
    free = [item.ref for item in bill(site) if not item.price]
    said = "the plan with the equipment that it draws"
    if free:
        more = f" and {len(free) - _NAMED} more" if len(free) > _NAMED else ""
        said += f"; not in its price, for they have none in the plan: {', '.join(free[:_NAMED])}{more}"
    wish = Wish(AS_DRAWN, said, site.site.growth)
    return Offer(wish, figures(site, gather(site)), {}, raw, site, bound=0.0)


def _wished(raw: Row, site: Site, wish: Wish) -> Row:
    if wish.name == GROWN:
        return raw
    changed = {**raw, "site": {**raw["site"], "growth": wish.growth}}
    if wish.tidy:
        # The switches that are at hand count, too: prepare() never allows fewer than those.
        changed["closet"] = {name: {**row, "max_switches": 1} for name, row in raw.get("closet", {}).items()}
    if wish.air < 1.0:
        calm = {"airtime": site.ceilings.airtime * wish.air, "stations": site.ceilings.stations * wish.air}
        changed["ceilings"] = {**raw.get("ceilings", {}), **calm}
    return changed


def _offer(raw: Row, chosen: Chosen, wish: Wish, file: str) -> Offer:
    """Judge a set by the plan's own growth and ceilings, whatever it was chosen for."""
    own = {key: value for key, value in chosen.raw.items() if key not in ("site", "ceilings")}
    own |= {key: raw[key] for key in ("site", "ceilings", "closet") if key in raw}
    site = build_site(own, file)
    return Offer(wish, figures(site, gather(site)), bought(chosen), own, site, chosen.bound)


def bought(chosen: Chosen) -> dict[str, tuple[str, ...]]:
    """Say what is bought for what: `closet:barn`, `router`, `access_point:hall` -> sheets."""
    decision = chosen.decision
    found = {
        f"closet:{closet}": tuple(ware.name for ware in stack.wares)
        for closet, stack in decision.stacks.items()
        if stack.wares
    }
    if decision.router is not None:
        found["router"] = (decision.router,)
    return found | {ref: option.sheets for ref, option in decision.options.items() if option.sheets}


def figures(site: Site, ledger: Ledger) -> Figures:
    """Read an option's figures off its ledger."""
    of: dict[Kind, list[Line]] = {}
    for line in ledger.lines:
        of.setdefault(line.kind, []).append(line)
    switches = [line for line in of.get(Kind.POWERED_PORTS, ()) if line.place.startswith("switch:")]
    supplies = [line for line in of.get(Kind.POWER, ()) if line.place.startswith("switch:")]
    radios = [line for line in of.get(Kind.AIRTIME, ()) if line.place.startswith("radio:")]
    busiest = max(radios, key=lambda line: line.planned, default=None)
    years, limit = _outgrown(site, ledger.lines)
    return Figures(
        price=of[Kind.MONEY][0].planned,
        powered_ports=int(sum(line.supply for line in switches)),
        watts_left=sum(line.headroom for line in supplies),
        busiest=busiest.planned if busiest is not None else 0.0,
        busiest_radio=busiest.place if busiest is not None else "",
        stations_left=sum(line.headroom for line in of.get(Kind.STATIONS, ())),
        years=years,
        limit=limit,
    )


def _outgrown(site: Site, lines: Iterable[Line]) -> tuple[float, Line | None]:
    """
    Give the years until the first line passes its ceiling. Of each demand only what grows counts.

    A line's demand has a part that stays (links, beacons); planned and grown of the ledger tell the two apart. Where the plan
    asks for no margin, a year's growth tells them.
    """
    growth, yearly = site.site.growth, site.site.growth_per_year
    best, limit = math.inf, None
    if not yearly:
        return best, limit
    if not growth:
        growth = yearly
        header = site.site.model_copy(update={"growth": growth})
        lines = gather(site.model_copy(update={"site": header})).lines
    for line in lines:
        if line.grown <= line.planned or line.kind is Kind.MONEY or is_standing(line):
            continue
        growing = (line.grown - line.planned) / growth
        staying = max(0.0, line.planned - growing)
        years = years_left(growing, line.usable - staying, yearly) if line.usable > staying else 0.0
        if years < best:
            best, limit = years, line
    return best, limit


def step_up(lower: Offer, upper: Offer) -> tuple[str, str]:
    """Say what a step up changes, and what that buys."""
    refs = dict.fromkeys((*upper.bought, *lower.bought))
    changed = [
        f"{_short(ref)}: {_sheets(lower.bought.get(ref, ()))} -> {_sheets(upper.bought.get(ref, ()))}"
        for ref in refs
        if sorted(lower.bought.get(ref, ())) != sorted(upper.bought.get(ref, ()))
    ]
    one, other = lower.figures, upper.figures
    gains = [
        _gain(other.powered_ports - one.powered_ports, "powered ports", 0),
        _gain(other.watts_left - one.watts_left, "W", 0),
        _gain(other.stations_left - one.stations_left, "stations", 0),
        f"busiest radio {other.busiest * 100:.1f} % (was {one.busiest * 100:.1f} %)"
        if abs(other.busiest - one.busiest) >= 0.0005
        else "",
        f"outgrown {_years(other.years)} (was {_years(one.years)})" if _years(other.years) != _years(one.years) else "",
    ]
    return "; ".join(changed), ", ".join(gain for gain in gains if gain) or "nothing that the ledger counts"


def _years(years: float) -> str:
    return "never" if math.isinf(years) else f"in {years:.1f} years"


def _gain(amount: float, what: str, digits: int) -> str:
    rounded = round(amount, digits)
    return f"{rounded:+.{digits}f} {what}" if rounded else ""


def _short(ref: str) -> str:
    return ref.partition(":")[2] or ref


def _sheets(sheets: tuple[str, ...]) -> str:
    counted = {name: sheets.count(name) for name in sheets}
    return " + ".join(name if count == 1 else f"{count} {name}" for name, count in counted.items()) or "nothing"
