"""Money: the bill of materials, priced as the plan prices it, and what is left of the budget."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.line import USER, Kind, Line, Step, Verdict
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.site.model import Site

BUDGET_REASON = "the budget is there to be spent"
_TABLES = ("switch", "access_point", "injector", "device", "recorder", "backup")


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the bill: what, how many of which unit ("each" or "m"), and the price of one in the plan's currency."""

    ref: str
    label: str
    amount: float
    unit: str
    price: float

    @property
    def total(self) -> float:
        """Price of all."""
        return self.amount * self.price


def bill(site: Site) -> tuple[Item, ...]:
    """List what the plan has to be bought, priced or not; what is at hand, and devices that cost nothing, stay out."""
    return tuple(_items(site))


def _items(site: Site) -> Iterator[Item]:
    if not site.router.keep:
        yield Item("router", site.router.label, 1, "each", site.router.price)
    for table in _TABLES:
        for name, row in getattr(site, table).items():
            if getattr(row, "keep", False) or (table == "device" and not row.price):
                continue
            yield Item(f"{table}:{name}", row.label, getattr(row, "count", 1), "each", row.price)
    for name, drop in site.drop.items():
        yield Item(f"drop:{name}", f"cable {drop.category}", drop.length_m, "m", drop.cost_per_m)


def judge(site: Site) -> Verdict:
    """Judge the budget of a checked plan."""
    items = bill(site)
    total = sum(item.total for item in items)
    by_table: dict[str, float] = {}
    for item in items:
        table = item.ref.partition(":")[0]
        by_table[table] = by_table.get(table, 0.0) + item.total
    unpriced = sum(1 for item in items if not item.price)
    currency = site.site.currency
    return Verdict(
        (
            Line(
                Kind.MONEY,
                "site:budget",
                currency,
                supply=float("inf") if site.budget.equipment is None else site.budget.equipment,
                ceiling=1.0,
                ceiling_reason=BUDGET_REASON,
                planned=total,
                # Growth is bought when it comes.
                grown=total,
                basis=USER,
                steps=tuple(
                    Step(table.replace("_", " "), amount, currency, USER) for table, amount in by_table.items()
                ),
                note=f"{counted(unpriced, 'item')} without a price" if unpriced else "",
            ),
        )
    )
