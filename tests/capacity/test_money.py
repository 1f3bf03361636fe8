from __future__ import annotations

from typing import Any

from netaudit.capacity import money
from netaudit.capacity.line import Kind, State
from tests.capacity.wired_plan import line, plan, step

PRICED: dict[str, Any] = {
    "router": {"closet": "hall", "price": 150.0},
    "switch": {"hall": {"closet": "hall", "price": 200.0}},
    "access_point": {"attic": {"at": "kitchen", "price": 90.0}},
    "device": {"eye": {"kind": "camera", "count": 3, "price": 40.0}, "old": {"kind": "desktop"}},
    "drop": {"d": {"starts": "hall", "ends": "kitchen", "length": "25 m", "cost_per_m": 0.8}},
}


# By hand: 150 + 200 + 90 + 3 * 40 + 25 * 0.8 = 580.
def test_the_bill_is_what_the_plan_has_to_buy() -> None:
    """Counts and metres times prices; a device without a price is at hand and stays out."""
    items = {item.ref: item for item in money.bill(plan(**PRICED))}
    assert sum(item.total for item in items.values()) == 580.0
    assert items["device:eye"].total == 120.0
    assert (items["drop:d"].amount, items["drop:d"].unit) == (25.0, "m")
    assert "device:old" not in items


def test_the_budget_is_a_line() -> None:
    """580 of 600 is within, of 500 over; without a budget nothing limits."""
    states = {}
    for most in (600.0, 500.0, None):
        budget = {} if most is None else {"budget": {"equipment": most}}
        found = line(money.judge(plan(**PRICED, **budget)), Kind.MONEY, "site:budget")
        assert found.planned == 580.0
        assert found.unit == "EUR"
        states[most] = found.state
    assert states == {600.0: State.WITHIN, 500.0: State.OVER, None: State.WITHIN}


def test_the_parts_add_up_to_the_total() -> None:
    """The steps are the totals of each table and sum to the line; an item without a price is said."""
    found = line(money.judge(plan(**PRICED)), Kind.MONEY, "site:budget")
    assert sum(one.value for one in found.steps) == found.planned
    assert step(found, "device") == 120.0
    assert "without a price" in line(money.judge(plan()), Kind.MONEY, "site:budget").note
