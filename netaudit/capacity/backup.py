"""
Backup power: how long a battery carries what hangs on it.

Watt-hours of the battery, less what age has taken and what the converter keeps, over the watts of the load. The load of a
switch is its own draw and what its powered ports feed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.capacity.feeding import need_of, reckon
from netaudit.capacity.line import PRACTICE, USER, Kind, Line, Step, Verdict
from netaudit.capacity.patching import Patching, patch
from netaudit.errors import OutOfRange
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.site.model import Backup, Site

HOUR_S = 3600.0
YEAR_S = 31557600.0
# Common practice, no source: what a switch's power unit passes on of what it takes from the mains.
SUPPLY_EFFICIENCY = 0.9
RATING_REASON = f"a backup supply above it runs hot and short ({PRACTICE}: 70 %)"
TIME_REASON = "the time wanted is wanted in full"


def energy_left_wh(energy_wh: float, *, efficiency: float, age_s: float = 0.0, fade_per_year: float = 0.0) -> float:
    """
    Energy that reaches the load [Wh].

    Args:      energy_wh of the battery when new; efficiency of the converter, above 0 to 1; age_s; fade_per_year share lost.
    Raises:    OutOfRange: a value outside those.
    Source:    arithmetic: energy * efficiency * (1 - fade)^years.
    """
    if energy_wh < 0.0 or age_s < 0.0 or not 0.0 < efficiency <= 1.0 or not 0.0 <= fade_per_year < 1.0:
        raise OutOfRange("energy and age can't be negative; efficiency is above 0 to 1, fade 0 to below 1")
    return float(energy_wh * efficiency * (1.0 - fade_per_year) ** (age_s / YEAR_S))


def run_time_s(energy_wh: float, load_w: float) -> float:
    """
    Time that so much energy carries a load [s]; infinite without a load.

    Source:    arithmetic.
    """
    return energy_wh * HOUR_S / load_w if load_w > 0.0 else float("inf")


def judge(site: Site, patching: Patching | None = None) -> Verdict:
    """
    Judge each battery supply of a checked plan.

    Args:      patching the plan's patch schedule, where it is solved already.
    """
    if not site.backup:
        return Verdict()
    fed_w = _fed_by_switch(site, patching or patch(site))
    return Verdict(tuple(line for name, row in site.backup.items() for line in _lines(site, name, row, fed_w)))


def _fed_by_switch(site: Site, patching: Patching) -> dict[str, float]:
    """Watts that the ports of each carried switch give, loss in the cables included, as its own supply takes them from the mains."""
    carried = {ref.removeprefix("switch:") for row in site.backup.values() for ref in row.feeds}
    fed_w = dict.fromkeys(patching.groups, 0.0)
    for patched in patching.patches:
        if patched.switch not in carried:
            continue
        need = need_of(site, patched.plug.ref)
        power = patching.groups[patched.switch][patched.group].power
        if need is None or power == "none" or (patched.plug.power_class is None and not patched.plug.passive):
            continue
        one = reckon(site, patched.plug.ref, need, power, patched.plug.drop)
        fed_w[patched.switch] += (one.draw_w + one.loss_w) * patched.count / SUPPLY_EFFICIENCY
    return fed_w


def _load(site: Site, ref: str, fed_w: dict[str, float]) -> tuple[float, float]:
    """Own draw and what the ports feed of one carried thing [W]."""
    kind, _, name = ref.partition(":")
    if kind == ROUTER:
        return site.router.draw_w, fed_w[ROUTER]
    if kind == "switch":
        return site.switch[name].draw_w, fed_w[name]
    return site.recorder[name].draw_w, 0.0


def _lines(site: Site, name: str, row: Backup, fed_w: dict[str, float]) -> Iterator[Line]:
    loads = {ref: _load(site, ref, fed_w) for ref in row.feeds}
    load_w = sum(own + fed for own, fed in loads.values())
    grown_w = sum(own + fed * (1.0 + site.site.growth) for own, fed in loads.values())
    energy_wh = energy_left_wh(
        row.energy_wh, efficiency=row.efficiency, age_s=row.age_s, fade_per_year=row.fade_per_year
    )
    each = tuple(Step(f"{ref}, with what it feeds", own + fed, "W", USER) for ref, (own, fed) in loads.items())
    yield Line(
        Kind.BACKUP,
        f"backup:{name}",
        "Wh",
        supply=energy_wh,
        ceiling=1.0,
        ceiling_reason=TIME_REASON,
        planned=load_w * row.wanted_s / HOUR_S,
        grown=grown_w * row.wanted_s / HOUR_S,
        basis="arithmetic: energy * efficiency * (1 - fade)^years against load * time wanted",
        steps=(
            *each,
            Step("load", load_w, "W", USER),
            Step("energy that reaches the load", energy_wh, "Wh", USER),
            Step("minutes at this load", run_time_s(energy_wh, load_w) / 60.0, "min", "arithmetic"),
            Step("minutes with growth", run_time_s(energy_wh, grown_w) / 60.0, "min", "arithmetic"),
            Step("minutes wanted", row.wanted_s / 60.0, "min", USER),
        ),
        inputs=(
            ("energy when new", f"{row.energy_wh:g} Wh"),
            ("age", f"{row.age_s / YEAR_S:.1f} years"),
            ("efficiency", f"{row.efficiency:g}"),
        ),
    )
    yield Line(
        Kind.POWER,
        f"backup:{name}",
        "W",
        supply=row.rating_w,
        ceiling=site.ceilings.backup_power,
        ceiling_reason=RATING_REASON,
        planned=load_w,
        grown=grown_w,
        basis=USER,
        steps=each,
    )
