"""Choosing: published optima, laws that any optimum obeys, what is kept, and why there is no solution."""

from __future__ import annotations

import random
import tomllib
from importlib import resources
from typing import Any

import pytest

from netaudit.capacity.choose.frontier import GROWN, as_drawn, frontier
from netaudit.capacity.choose.program import Program
from netaudit.capacity.choose.search import choose
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Kind, State
from netaudit.errors import NoSolution
from netaudit.site.equipment import Equipment
from netaudit.site.load import build_site

Row = dict[str, Any]

# Knapsack P01 of J. Burkardt's KNAPSACK_01 collection (Florida State University): capacity, weights, profits, optimal profit.
P01 = (165, (23, 31, 29, 44, 53, 38, 63, 85, 89, 82), (92, 57, 49, 68, 60, 43, 67, 84, 87, 72), 309)
# Knapsack P07 of the same collection.
P07 = (
    750,
    (70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120),
    (135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240),
    1458,
)


@pytest.mark.parametrize(("capacity", "weights", "profits", "best"), [P01, P07])
def test_the_program_finds_published_optima(
    capacity: int, weights: tuple[int, ...], profits: tuple[int, ...], best: int
) -> None:
    """The published optimal profit of each knapsack, to the unit."""
    program = Program()
    items = [program.variable(-float(profit)) for profit in profits]
    program.at_most({item: float(weight) for item, weight in zip(items, weights, strict=True)}, capacity)
    values = program.solve()
    assert values is not None
    assert sum(value * profit for value, profit in zip(values, profits, strict=True)) == best


def test_the_program_says_nothing_of_the_process(capfd: pytest.CaptureFixture[str]) -> None:
    """No banner and no log on the process's own output: JSON stays JSON."""
    program = Program()
    program.at_most({program.variable(1.0): -1.0}, -1.0)
    assert program.solve() == (1,)
    assert capfd.readouterr() == ("", "")


def test_a_program_without_a_solution_has_none() -> None:
    """Twice a whole number is not one."""
    program = Program()
    program.exactly({program.variable(): 2.0}, 1.0)
    assert program.solve() is None


def demo() -> tuple[Row, Row]:
    """Give the demo's plan and sheets as data."""
    folder = resources.files("netaudit.demo")
    texts = [folder.joinpath(name).read_text("utf-8") for name in ("site.toml", "equipment.toml")]
    return tomllib.loads(texts[0]), tomllib.loads(texts[1])


def price(raw: Row, sheets: Row) -> float:
    """Price of the cheapest set; infinite when there is none."""
    try:
        return choose(raw, Equipment.model_validate(sheets)).price
    except NoSolution:
        return float("inf")


def test_a_dearer_sheet_never_makes_the_set_cheaper() -> None:
    """Raise the price of any sheet: the optimum stays or rises, by no more than all that could be bought of it."""
    raw, sheets = demo()
    before = price(raw, sheets)
    draw = random.Random(1)
    for table in ("switch", "access_point", "router", "recorder", "disk", "injector"):
        name = draw.choice(sorted(sheets[table]))
        dearer = {**sheets, table: {**sheets[table], name: {**sheets[table][name], "price": 700}}}
        assert price(raw, dearer) >= before - 1e-6


def test_one_sheet_more_never_makes_the_set_dearer() -> None:
    """Take any sheet away: the optimum stays or rises."""
    raw, sheets = demo()
    before = price(raw, sheets)
    for table in ("switch", "access_point", "injector"):
        for name in sheets[table]:
            fewer = {**sheets, table: {key: row for key, row in sheets[table].items() if key != name}}
            assert price(raw, fewer) >= before - 1e-6


def test_more_growth_never_makes_the_set_cheaper() -> None:
    """From none to 40 % in steps: the optimum never falls."""
    raw, sheets = demo()
    prices = [price({**raw, "site": {**raw["site"], "growth": growth}}, sheets) for growth in (0.0, 0.1, 0.25, 0.27)]
    assert prices == sorted(prices)
    assert prices[0] < prices[2] < float("inf")


def test_what_is_at_hand_is_neither_replaced_nor_bought() -> None:
    """With the drawn switches, router and access points at hand, they stay as they are and cost nothing."""
    raw, sheets = demo()
    kept = {**raw, "router": {**raw["router"], "keep": True}}
    for table, names in (("switch", ("landing", "bench")), ("access_point", ("yard",)), ("recorder", ("vault",))):
        kept[table] = {name: {**row, **({"keep": True} if name in names else {})} for name, row in raw[table].items()}
    chosen = choose(kept, Equipment.model_validate(sheets))
    for table, names in (("switch", ("landing", "bench")), ("access_point", ("yard",)), ("recorder", ("vault",))):
        for name in names:
            drawn = {key: row for key, row in kept[table][name].items() if key != "uplink"}
            assert {key: chosen.raw[table][name].get(key) for key in drawn} == drawn
    assert chosen.raw["router"] == kept["router"]
    assert chosen.price < price(raw, sheets)
    assert not any(line.grown_state is not State.WITHIN for line in chosen.ledger.lines)


def test_positions_are_chosen_where_the_plan_hangs_nothing() -> None:
    """Rooms without any access point: as few are hung as carry the devices, and every device is reached."""
    raw: Row = {
        "site": {"name": "free"},
        "segment": {"home": {"network": "192.0.2.0/24", "ssid": "free"}},
        "room": {
            f"room-{number}": {"x": f"{8 * number} m", "y": "0 m", "width": "8 m", "depth": "6 m"}
            for number in range(4)
        },
        "device": {f"phones-{number}": {"kind": "phone", "count": 5, "at": f"room-{number}"} for number in range(4)},
    }
    sheets = demo()[1]
    sheets["access_point"] = {
        "small": {
            "price": 60,
            "power": {"supply": "802.3", "class": 3},
            "radio": [{"band": band, "association_limit": 20} for band in ("2.4", "5")],
        }
    }
    chosen = choose(raw, Equipment.model_validate(sheets))
    # 20 phones, 25 with growth; a radio of 20 lets 80 % in, 16: two are needed, as far as the limit goes.
    assert len(chosen.site.access_point) >= 2
    one_less = dict(list(chosen.raw["access_point"].items())[:-1])
    ledger = gather(build_site({**chosen.raw, "access_point": one_less, "injector": {}}))
    assert any(line.grown_state is not State.WITHIN for line in ledger.lines) or ledger.flaws


def barn(**closet: object) -> Row:
    """A closet with eleven cameras of class 4, and one switch of eight strong ports to buy."""
    return {
        "site": {"name": "barn", "growth": 0},
        "segment": {"eyes": {"network": "192.0.2.0/24"}},
        "closet": {"barn": closet},
        "recorder": {"box": {"keep": True, "disk": "500 TB"}},
        "device": {"cameras": {"kind": "camera", "count": 11, "at": "barn", "power": {"supply": "802.3", "class": 4}}},
    }


BARN_SHEETS: Row = {
    "switch": {
        "eight": {"price": 100, "supply": "300 W", "ports": [{"count": 10, "power": "type 2", "rate": "1 Gb/s"}]}
    },
    "router": {"four": {"price": 50, "ports": 4, "routed": "1 Gb/s"}},
}


def test_no_solution_says_what_is_missing_and_what_would_do() -> None:
    """One closet, one switch allowed: the refusal names closet, need, best sheet, and that two would do."""
    with pytest.raises(NoSolution) as refused:
        choose(barn(max_switches=1), Equipment.model_validate(BARN_SHEETS))
    said = str(refused.value)
    assert said.startswith("closet barn needs ")
    assert "11 powered ports with growth and the best sheet leaves 9 of a switch" in said
    assert "2 switches would do but the plan allows 1" in said


def test_a_group_is_split_between_two_switches() -> None:
    """Where two are allowed the eleven stand on both, each within its ceiling, and none is lost."""
    chosen = choose(barn(max_switches=2), Equipment.model_validate(BARN_SHEETS))
    assert chosen.price == 250
    assert sum(device.count for device in chosen.site.device.values()) == 11
    assert {device.switch for device in chosen.site.device.values()} == set(chosen.site.switch)


def test_a_budget_that_is_too_small_is_named_with_what_is_missing() -> None:
    """The cheapest set costs 250; a budget of 240 lacks 10."""
    raw = {**barn(max_switches=2), "budget": {"equipment": 240}}
    with pytest.raises(NoSolution, match=r"250\.00 EUR .* 240\.00: 10\.00 are missing"):
        choose(raw, Equipment.model_validate(BARN_SHEETS))


def test_converters_serve_where_a_switch_has_no_fibre_socket() -> None:
    """Between two buildings, with copper switches alone, a pair of converters carries the way up and is paid for."""
    raw = barn(max_switches=2)
    raw["building"] = {"house": {}, "shed": {}}
    raw["closet"]["barn"]["building"] = "house"
    raw["closet"]["shed"] = {"building": "shed"}
    raw["device"]["desk"] = {"kind": "desktop", "at": "shed"}
    with pytest.raises(NoSolution, match="fibre"):
        choose(raw, Equipment.model_validate(BARN_SHEETS))
    chosen = choose(raw, Equipment.model_validate({**BARN_SHEETS, "converter": {"pair": {"price": 40}}}))
    assert chosen.price == 250 + 100 + 40
    assert not chosen.ledger.hazards


def test_the_demo_has_options_that_differ_and_fit() -> None:
    """One option under the budget, at least 30 % cheaper than the generous one; each keeps its ledger within, grown."""
    raw, sheets = demo()
    found = frontier(raw, Equipment.model_validate(sheets))
    chosen, generous = found.offer(GROWN), found.offer("generous")
    assert chosen is not None
    assert generous is not None
    assert chosen.figures.price <= raw["budget"]["equipment"]
    assert chosen.figures.price <= 0.7 * generous.figures.price
    assert 4 <= len(found.offers) <= 6
    for offer in found.offers:
        ledger = gather(offer.site)
        if offer.wish.name != "today":
            assert all(line.grown_state is State.WITHIN for line in ledger.lines)
        assert next(line.planned for line in ledger.lines if line.kind is Kind.MONEY) == offer.figures.price
        assert not ledger.hazards
        assert not ledger.flaws
    assert as_drawn(raw).figures.price > chosen.figures.price


def on_battery(energy: str) -> tuple[Row, Row]:
    """A closet with one switch of 20 W or, dearer, of 10 W, on a battery supply that is wanted for an hour."""
    raw: Row = {
        "site": {"name": "hut", "growth": 0},
        "segment": {"home": {"network": "192.0.2.0/24"}},
        "closet": {"hut": {"max_switches": 1}},
        "device": {"desk": {"kind": "desktop", "at": "hut"}},
        "router": {"keep": True, "ports": 4, "routed": "1 Gb/s"},
        "switch": {"first": {"closet": "hut", "uplink": "router", "ports": 8}},
        "backup": {
            "hut": {
                "feeds": ["switch:first"],
                "energy": energy,
                "rating": "100 W",
                "efficiency": "100 %",
                "age": "0 years",
                "wanted": "60 min",
            }
        },
    }
    sheets: Row = {
        "switch": {
            "warm": {"price": 20, "ports": [{"count": 8}], "draw": "20 W"},
            "cool": {"price": 50, "ports": [{"count": 8}], "draw": "10 W"},
        }
    }
    return raw, sheets


def test_a_battery_asks_for_the_dearer_switch_that_draws_less() -> None:
    """20 Wh carry 20 W for an hour, 12 Wh only 10 W: watts times hours, nothing else."""
    for energy, expected in (("20 Wh", 20), ("12 Wh", 50)):
        raw, sheets = on_battery(energy)
        assert price(raw, sheets) == expected


def test_a_battery_that_carries_no_set_is_named_with_what_it_lacks() -> None:
    """8 Wh against 10 W for an hour: 2 Wh are missing, and the refusal says so."""
    raw, sheets = on_battery("8 Wh")
    with pytest.raises(NoSolution, match=r"the battery of hut lacks 2 Wh at least: .* 10 W or more .* for 60 min"):
        choose(raw, Equipment.model_validate(sheets))


def test_air_that_no_access_point_carries_is_named_with_what_it_lacks() -> None:
    """The demo with a ceiling of a fifth of the time: the refusal speaks of the air and names a radio and an amount."""
    raw, sheets = demo()
    with pytest.raises(NoSolution, match=r"on the air; the cheapest set fails at radio:\S+: lacks [\d.]+ "):
        choose({**raw, "ceilings": {"airtime": "20 %"}}, Equipment.model_validate(sheets))
