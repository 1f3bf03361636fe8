"""Battery supplies: the watts that a set draws at least, so that what no battery carries is not proposed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.capacity import backup, poe
from netaudit.capacity.backup import HOUR_S, SUPPLY_EFFICIENCY
from netaudit.capacity.choose.ground import closets_by_switch
from netaudit.capacity.line import Kind
from netaudit.site.model import PowerNeed
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from netaudit.capacity.choose.choices import Choice, Option
    from netaudit.capacity.choose.ground import Ground
    from netaudit.capacity.choose.model import Proposer
    from netaudit.capacity.choose.stacks import Stack


def bound_batteries(
    ground: Ground, choices: Sequence[Choice], stacks: Mapping[str, Sequence[Stack]], proposer: Proposer
) -> None:
    """
    Bound what each battery supply carries by what the ledger lets us use of it.

    Counted are the draw of switches, router and recorder and the draw of what their ports feed; the loss in the cables comes
    on top, so every set that the ledger passes keeps to this.
    """
    by_switch = closets_by_switch(ground.cabinets) | {closet: closet for closet in ground.cabinets}
    usable: dict[tuple[str, Kind], float] = {
        (line.place, line.kind): line.usable for line in backup.judge(ground.site).lines
    }
    for name, row in ground.site.backup.items():
        most_w = min(
            usable[f"backup:{name}", Kind.BACKUP] * HOUR_S / row.wanted_s, usable[f"backup:{name}", Kind.POWER]
        )
        closets = {by_switch[ref.partition(":")[2]] for ref in row.feeds if ref.startswith("switch:")}
        stands = {closet: [stack.draw_w for stack in stacks[closet]] for closet in closets}
        if ROUTER in row.feeds:
            stands[ROUTER] = [stack.draw_w for stack in stacks[ROUTER]]
        options = {
            choice.ref: [_draw_w(ground, choice.ref, option, closets, row.feeds) for option in choice.options]
            for choice in choices
        }
        proposer.at_most(options, stands, most_w)


def _draw_w(ground: Ground, ref: str, option: Option, closets: set[str], feeds: Sequence[str]) -> float:
    """Give the watts that an option adds to a battery's load, grown where the ledger grows them."""
    if ref.startswith("recorder:"):
        return option.draw_w if ref in feeds else 0.0
    if option.injector is not None or ref.startswith("link:"):
        return 0.0
    count = sum(need.count for need in option.needs if need.closet in closets and need.kind.powered)
    if not count:
        return 0.0
    need = poe.need_of(ground.site, ref)
    if option.row is not None and "power" in option.row:
        need = PowerNeed.model_validate(option.row["power"])
    return 0.0 if need is None else count * poe.taken_w(need) * (1.0 + ground.site.site.growth) / SUPPLY_EFFICIENCY
