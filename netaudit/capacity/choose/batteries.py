"""Battery supplies: the watts that a set draws at least, so that what no battery carries is not proposed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity import backup, feeding
from netaudit.capacity.backup import HOUR_S, SUPPLY_EFFICIENCY
from netaudit.capacity.choose.ground import closets_by_switch
from netaudit.capacity.line import Kind
from netaudit.site.model import PowerNeed
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.ground import Ground
    from netaudit.capacity.choose.model import Proposer
    from netaudit.capacity.choose.stacks import Stack


@dataclass(frozen=True, slots=True)
class Load:
    """What a battery supply carries [W]: by each option and stack, and the most that the ledger lets it carry."""

    name: str
    options: Mapping[str, Sequence[float]]
    stacks: Mapping[str, Sequence[float]]
    most_w: float


def battery_loads(ground: Ground, choices: Sequence[Choice], stacks: Mapping[str, Sequence[Stack]]) -> Iterator[Load]:
    """
    Weigh what may hang on each battery supply.

    Counted are the draw of switches, router and recorder and the draw of what their ports feed; the loss in the cables comes
    on top, so every set that the ledger passes keeps to the most.
    """
    by_switch = closets_by_switch(ground.cabinets) | {closet: closet for closet in ground.cabinets}
    for name, row in ground.site.backup.items():
        energy, power = _usable(ground, name)
        closets = {by_switch[ref.partition(":")[2]] for ref in row.feeds if ref.startswith("switch:")}
        stands = {closet: [stack.draw_w for stack in stacks[closet]] for closet in closets}
        if ROUTER in row.feeds:
            stands[ROUTER] = [stack.draw_w for stack in stacks[ROUTER]]
        options = {
            choice.ref: [_draw_w(ground, choice.ref, option, closets, row.feeds) for option in choice.options]
            for choice in choices
        }
        yield Load(name, options, stands, min(energy * HOUR_S / row.wanted_s, power))


def bound_batteries(loads: Iterable[Load], proposer: Proposer) -> None:
    """Propose nothing that a battery supply doesn't carry."""
    for load in loads:
        proposer.at_most(load.options, load.stacks, load.most_w)


def battery_refusal(ground: Ground, loads: Iterable[Load], proposer: Proposer) -> str:
    """
    Say what each battery supply lacks for the set that draws least; nothing where none lacks anything by itself.

    Args:      proposer: one that knows nothing of battery supplies.
    """
    said = []
    for load in loads:
        least_w = proposer.least(load.options, load.stacks)
        if least_w is None or least_w <= load.most_w:
            continue
        row = ground.site.backup[load.name]
        energy, power = _usable(ground, load.name)
        lacks = [
            f"{amount:.4g} {unit}"
            for amount, unit in ((least_w * row.wanted_s / HOUR_S - energy, "Wh"), (least_w - power, "W of its rating"))
            if amount > 0.0
        ]
        said.append(
            f"the battery of {load.name} lacks {' and '.join(lacks)} at least: whatever is bought, it carries {least_w:.4g} W "
            f"or more with growth, for {row.wanted_s / 60.0:g} min; write a larger one, less time, or feed less from it"
        )
    return "; ".join(said)


def _usable(ground: Ground, name: str) -> tuple[float, float]:
    """Give the energy [Wh] and the power [W] that the ledger lets us use of a battery supply."""
    usable = {line.kind: line.usable for line in backup.judge(ground.site).lines if line.place == f"backup:{name}"}
    return usable[Kind.BACKUP], usable[Kind.POWER]


def _draw_w(ground: Ground, ref: str, option: Option, closets: set[str], feeds: Sequence[str]) -> float:
    """Give the watts that an option adds to a battery's load, grown where the ledger grows them."""
    if ref.startswith("recorder:"):
        return option.draw_w if ref in feeds else 0.0
    if option.injector is not None or ref.startswith("link:"):
        return 0.0
    count = sum(need.count for need in option.needs if need.closet in closets and need.kind.powered)
    if not count:
        return 0.0
    need = feeding.need_of(ground.site, ref)
    if option.row is not None and "power" in option.row:
        need = PowerNeed.model_validate(option.row["power"])
    return 0.0 if need is None else count * feeding.taken_w(need) * (1.0 + ground.site.site.growth) / SUPPLY_EFFICIENCY
