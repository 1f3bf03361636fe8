"""Free positions: the cheapest hanging is that of trying every one, and the demo without access points is proven."""

from __future__ import annotations

import random
from functools import partial
from itertools import combinations, product
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity.airtime import Channel
from netaudit.capacity.choose.choices import gather_choices
from netaudit.capacity.choose.ground import prepare
from netaudit.capacity.choose.loads import Loads, least_idle_us
from netaudit.capacity.choose.positions import troubles_on_air
from netaudit.capacity.choose.search import choose
from netaudit.capacity.contention import Sender, carried_share
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Kind, State
from netaudit.capacity.radio import waiting
from netaudit.capacity.rates import Band
from netaudit.errors import NoSolution
from netaudit.site.equipment import Equipment
from netaudit.site.load import build_site
from tests.capacity.free_rooms import demo_in_rooms, demo_unhung

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

Row = dict[str, Any]
SWITCH: Row = {"price": 70, "supply": "900 W", "ports": [{"count": 48, "rate": "10 Gb/s", "power": "type 2"}]}
ROUTER: Row = {"price": 30, "ports": 8, "routed": "9 Gb/s"}


def small_house(seed: int) -> tuple[Row, Row]:
    """Draw a house of three or four rooms, things in some of them or nowhere in particular, and two or three sheets."""
    draw = random.Random(seed)
    rooms = [f"room-{number}" for number in range(draw.choice((3, 3, 4)))]
    # Small ceilings stand for busy air: so some sites are short of it, others of association.
    airtime = draw.choice((80, 60, 40))
    raw: Row = {
        "site": {"name": "drawn", "growth": draw.choice((0.0, 0.25))},
        "ceilings": {"airtime": f"{airtime} %"},
        "segment": {"home": {"network": "10.9.0.0/20", "ssid": "drawn"}},
        "closet": {"a": {}},
        "building": {"house": {}, "shed": {}} if draw.random() < 0.4 else {"house": {}},
        "router": {"closet": "a", "wan_down": "5 Gb/s", "wan_up": "5 Gb/s"},
        "device": {},
    }
    raw["closet"]["a"]["building"] = "house"
    if draw.random() < 0.3:
        raw["segment"]["home"]["guests"] = {"arrivals_per_day": 60, "stay": "2 h"}
    step_m = draw.choice((6, 20, 60))
    raw["room"] = {
        room: {
            "building": draw.choice(sorted(raw["building"])),
            "closet": "a",
            "x": f"{step_m * number} m",
            "y": "0 m",
            "width": "5 m",
            "depth": "5 m",
        }
        for number, room in enumerate(rooms)
    }
    for number in range(draw.randint(1, 4)):
        kind = draw.choice(("phone", "plug", "laptop", "television"))
        row: Row = {"kind": kind, "count": draw.randint(1, 4) if kind == "television" else draw.randint(1, 10)}
        if draw.random() < 0.7:
            row["at"] = draw.choice(rooms)
        raw["device"][f"things-{number}"] = row
    sheets: Row = {"switch": {"big": SWITCH}, "router": {"only": ROUTER}, "access_point": {}}
    for number in range(draw.choice((2, 2, 3)) if len(rooms) == 3 else 2):
        bands = draw.choice((("2.4", "5"), ("2.4", "5"), ("2.4", "5", "6"), ("2.4",), ("5",)))
        limit = draw.choice((8, 16, 40, 40))
        sheets["access_point"][f"point-{number}"] = {
            "price": draw.randint(30, 99),
            "power": {"supply": "802.3", "class": 3},
            "radio": [{"band": band, "association_limit": limit} for band in bands],
        }
    return raw, sheets


def cheapest_of_all(raw: Row, sheets: Row) -> float | None:
    """Hang everything everywhere, cheapest first, until a ledger has nothing to say."""
    equipment = Equipment.model_validate(sheets)
    options = {
        choice.ref.partition(":")[2]: choice.options
        for choice in gather_choices(prepare(raw, equipment), equipment)
        if choice.ref.startswith("access_point:")
    }
    fixed = {
        "router": {**raw["router"], **ROUTER},
        "switch": {
            closet: {**SWITCH, "closet": closet, "uplink": "router" if closet == "a" else "switch:a"}
            for closet in raw["closet"]
        },
    }
    for each in sorted(product(*options.values()), key=lambda each: sum(one.price for one in each)):
        rows = {name: one.row for name, one in zip(options, each, strict=True) if one.row is not None}
        if not rows:
            continue
        ledger = gather(build_site({**raw, **fixed, "access_point": rows}))
        calm = all(line.grown_state is State.WITHIN for line in ledger.lines if line.kind is not Kind.MONEY)
        if calm and not ledger.hazards and not ledger.flaws:
            return float(len(raw["closet"]) * SWITCH["price"] + ROUTER["price"] + sum(one.price for one in each))
    return None


def agrees_with_trying_all(raw: Row, sheets: Row, seed: int) -> None:
    """The price is that of trying every hanging, proven, and its plan passes; where none passes none is offered."""
    best = cheapest_of_all(raw, sheets)
    try:
        chosen = choose(raw, Equipment.model_validate(sheets))
    except NoSolution:
        assert best is None, seed
        return
    assert chosen.price == pytest.approx(best), seed
    assert chosen.proven, seed
    ledger = gather(build_site(chosen.raw))
    assert all(line.grown_state is State.WITHIN for line in ledger.lines), seed
    assert not ledger.flaws, seed


@pytest.mark.parametrize("block", range(8))
def test_the_hanging_is_the_cheapest_of_all(block: int) -> None:
    """On twenty drawn houses a block: the price is that of trying every hanging; where none passes none is offered."""
    for seed in range(20 * block, 20 * block + 20):
        raw, sheets = small_house(seed)
        agrees_with_trying_all(raw, sheets, seed)


@pytest.mark.parametrize("block", range(2))
def test_the_hanging_is_the_cheapest_of_all_from_two_closets(block: int) -> None:
    """The same houses with every other room wired to a second closet, desks in both closets: counts part between the two."""
    for seed in range(100 + 20 * block, 120 + 20 * block):
        raw, sheets = small_house(seed)
        raw["closet"]["b"] = {"building": "house"}
        raw["device"] |= {f"desk-{closet}": {"kind": "desktop", "at": closet} for closet in raw["closet"]}
        for room in list(raw["room"])[1::2]:
            raw["room"][room]["closet"] = "b"
        agrees_with_trying_all(raw, sheets, seed)


def from_two_closets(seed: int) -> tuple[Row, Row]:
    """Wire every other room to a second closet; a desk in the router's closet, in the other one, or in none of them."""
    raw, sheets = small_house(seed)
    raw["closet"]["b"] = {"building": "house"}
    for room in list(raw["room"])[seed % 2 :: 2]:
        raw["room"][room]["closet"] = "b"
    if seed % 4 != 3:
        raw["device"]["desk"] = {"kind": "desktop", "at": "b" if seed % 4 == 2 else "a"}
    if seed % 3:
        raw["drop"] = {"way": {"starts": "a", "ends": "b", "length": "20 m"}}
    return raw, sheets


def cheapest_with_closets_empty(raw: Row, sheets: Row) -> tuple[float, set[str]] | None:
    """Try every hanging with and without a switch in each closet, cheapest first: the price and where switches stand."""
    equipment = Equipment.model_validate(sheets)
    options = {
        choice.ref.partition(":")[2]: choice.options
        for choice in gather_choices(prepare(raw, equipment), equipment)
        if choice.ref.startswith("access_point:")
    }
    desks = {row["at"] for row in raw["device"].values() if row.get("at") in raw["closet"]}
    tries = []
    for each in product(*options.values()):
        hung = {name: one.row for name, one in zip(options, each, strict=True) if one.row is not None}
        # The ledger lets a cable go to a switch of another closet where its own has none; here it may not.
        asked = desks | {raw["room"][name]["closet"] for name in hung}
        for staffed in ({"a", "b"}, {"a"}, {"b"}):
            if hung and asked <= staffed:
                price = len(staffed) * SWITCH["price"] + ROUTER["price"] + sum(one.price for one in each)
                tries.append((price, sorted(staffed), hung))
    for price, standing, hung in sorted(tries, key=lambda one: one[0]):
        switches = {closet: {**SWITCH, "closet": closet, "uplink": "router"} for closet in standing}
        if "b" in switches:
            switches["b"] |= {"uplink": "switch:a"} if "a" in switches else {}
            switches["b"] |= {"uplink_drop": "way"} if "drop" in raw else {}
        router = {**raw["router"], **ROUTER}
        ledger = gather(build_site({**raw, "router": router, "switch": switches, "access_point": hung}))
        calm = all(line.grown_state is State.WITHIN for line in ledger.lines if line.kind is not Kind.MONEY)
        if calm and not ledger.hazards and not ledger.flaws:
            return price, set(standing)
    return None


@pytest.mark.parametrize("block", range(4))
def test_a_closet_that_serves_candidate_rooms_alone_may_stay_empty(block: int) -> None:
    """On sixteen houses a block: the price is that of every hanging, with and without a switch where nothing else is plugged."""
    empty = 0
    for seed in range(200 + 16 * block, 216 + 16 * block):
        raw, sheets = from_two_closets(seed)
        best = cheapest_with_closets_empty(raw, sheets)
        try:
            chosen = choose(raw, Equipment.model_validate(sheets))
        except NoSolution:
            assert best is None, seed
            continue
        assert best is not None, seed
        assert chosen.price == pytest.approx(best[0]), seed
        assert chosen.proven, seed
        staffed = {switch.closet for switch in chosen.site.switch.values()}
        hung = {chosen.site.room[name].closet for name in chosen.site.access_point}
        assert staffed == hung | {row["at"] for row in raw["device"].values() if row.get("at") in raw["closet"]}, seed
        ledger = gather(build_site(chosen.raw))
        assert all(line.grown_state is State.WITHIN for line in ledger.lines), seed
        assert not ledger.flaws, seed
        empty += len(staffed) == 1
    assert empty


def two_rooms() -> tuple[Row, Row]:
    """Give two rooms wired to a closet each, a desk in the first closet, 20 phones, and sheets that admit 16 and 40."""
    room: Row = {"building": "house", "y": "0 m", "width": "5 m", "depth": "5 m"}
    raw: Row = {
        "site": {"name": "drawn", "growth": 0.0},
        "segment": {"home": {"network": "10.9.0.0/20", "ssid": "drawn"}},
        "building": {"house": {}},
        "closet": {"a": {"building": "house"}, "b": {"building": "house"}},
        "drop": {"way": {"starts": "a", "ends": "b", "length": "20 m"}},
        "room": {"near": {**room, "closet": "a", "x": "0 m"}, "far": {**room, "closet": "b", "x": "6 m"}},
        "router": {"closet": "a", "wan_down": "5 Gb/s", "wan_up": "5 Gb/s"},
        "device": {"desk": {"kind": "desktop", "at": "a"}, "phones": {"kind": "phone", "count": 20}},
    }
    points = {
        name: {
            "price": price,
            "power": {"supply": "802.3", "class": 3},
            "radio": [{"band": "5", "association_limit": limit}],
        }
        for name, price, limit in (("small", 40, 16), ("large", 90, 40))
    }
    return raw, {"switch": {"big": SWITCH}, "router": {"only": ROUTER}, "access_point": points}


def test_one_large_access_point_spares_the_second_closet_its_switch() -> None:
    """Two small ones (80) cost less than a large one (90), but not with a switch (70) that they alone ask for."""
    raw, sheets = two_rooms()
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert chosen.proven
    assert chosen.price == ROUTER["price"] + SWITCH["price"] + 90
    assert [switch.closet for switch in chosen.site.switch.values()] == ["a"]
    assert list(chosen.site.access_point) == ["near"]
    assert "feeds" not in chosen.raw["drop"]["way"]
    assert all(line.grown_state is State.WITHIN for line in chosen.ledger.lines)
    assert not chosen.ledger.flaws
    # A second desk asks for the switch in any case.
    raw["device"]["other"] = {"kind": "desktop", "at": "b"}
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert chosen.proven
    assert chosen.price == ROUTER["price"] + 2 * SWITCH["price"] + 2 * 40
    assert set(chosen.site.access_point) == {"near", "far"}
    assert chosen.raw["drop"]["way"]["feeds"] == "switch:b"


def test_a_switch_stands_in_an_empty_closet_where_another_ones_way_up_passes() -> None:
    """A closet below the second one: its switch asks for both, and without access points there neither has any."""
    raw, sheets = two_rooms()
    raw["closet"]["c"] = {"building": "house"}
    raw["switch"] = {
        "lower": {**SWITCH, "closet": "c", "uplink": "switch:middle"},
        "middle": {**SWITCH, "closet": "b", "uplink": "router", "uplink_drop": "way"},
    }
    raw["room"]["far"]["closet"] = "c"
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert {switch.closet for switch in chosen.site.switch.values()} == {"a"}
    assert chosen.price == ROUTER["price"] + SWITCH["price"] + 90
    assert chosen.proven
    del sheets["access_point"]["large"]
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert {name: switch.uplink for name, switch in chosen.site.switch.items()} == {
        "a": "router",
        "lower": "switch:middle",
        "middle": "router",
    }
    assert chosen.price == ROUTER["price"] + 3 * SWITCH["price"] + 2 * 40
    assert chosen.proven
    assert not chosen.ledger.flaws


def test_what_hung_on_a_switch_beside_the_router_hangs_on_the_router() -> None:
    """Nothing but a candidate room in the router's closet: a fibre from the other building ends on the router, converted."""
    raw, sheets = two_rooms()
    raw["device"]["desk"]["at"] = "b"
    raw["building"]["shed"] = {}
    raw["closet"]["b"]["building"] = raw["room"]["far"]["building"] = "shed"
    raw["drop"]["way"]["category"] = "fibre"
    sheets["converter"] = {"pair": {"price": 15, "rate": "1 Gb/s"}}
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert [(switch.closet, switch.uplink) for switch in chosen.site.switch.values()] == [("b", "router")]
    assert chosen.price == ROUTER["price"] + SWITCH["price"] + 90 + 15
    assert chosen.proven
    assert any(group.medium == "fibre" for group in chosen.site.router.ports)
    assert not chosen.ledger.flaws


def test_a_switch_that_a_battery_is_to_carry_stands_in_any_case() -> None:
    """The second closet's switch is drawn, exchangeable, and fed from a battery: it isn't spared."""
    raw, sheets = two_rooms()
    raw["switch"] = {"second": {**SWITCH, "closet": "b", "uplink": "router", "uplink_drop": "way"}}
    raw["backup"] = {"box": {"feeds": ["switch:second"], "energy": "2000 Wh", "rating": "900 W"}}
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert {switch.closet for switch in chosen.site.switch.values()} == {"a", "b"}
    del raw["backup"]
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert {switch.closet for switch in chosen.site.switch.values()} == {"a"}


@pytest.mark.parametrize("block", range(3))
def test_what_hangs_at_given_positions_is_the_cheapest_of_all(block: int) -> None:
    """The same houses with a position in each room and the air crowded: what hangs there is that of trying everything."""
    for seed in range(20 * block, 20 * block + 20):
        raw, sheets = small_house(seed)
        raw["access_point"] = {room: {"at": room} for room in raw["room"]}
        best = cheapest_of_all(raw, sheets)
        try:
            found: float | None = choose(raw, Equipment.model_validate(sheets)).price
        except NoSolution:
            found = None
        assert found == (None if best is None else pytest.approx(best)), seed


def loads_of(raw: Row, sheets: Row) -> Loads:
    """Give the tables of a plan whose rooms are free."""
    equipment = Equipment.model_validate(sheets)
    ground = prepare(raw, equipment)
    choices = {
        choice.ref.partition(":")[2]: choice
        for choice in gather_choices(ground, equipment)
        if choice.ref.startswith("access_point:")
    }
    return Loads(ground.site, choices)


@pytest.mark.parametrize("block", range(3))
def test_weighing_never_says_no_to_what_the_ledger_passes(block: int) -> None:
    """Random hangings of drawn houses: those that the ledger has nothing to say against are never weighed below 0."""
    passed = refused = 0
    for seed in range(15 * block, 15 * block + 15):
        loads = loads_of(*small_house(seed))
        least, least_of = loads.least([range(len(loads.kinds))])
        draw = random.Random(seed)
        for _ in range(25):
            positions = sorted(draw.sample(range(len(loads.names)), draw.randint(1, len(loads.names))))
            ways = [draw.choice([way for way in loads.way_of[one] if way >= 0]) for one in positions]
            sets = np.array([positions])
            slack = loads.slack(loads.figures, sets, np.array([[ways]]))[0, 0]
            of_least = loads.slack(least, sets, least_of[sets, 0][:, None, :])[0, 0]
            hung = {loads.names[one]: loads.ways[way].option for one, way in zip(positions, ways, strict=True)}
            if troubles_on_air(loads.hung(hung)):
                refused += 1
                assert of_least >= -1e-9 or slack < 1e-9, seed  # nothing is below the least of all
            else:
                passed += 1
                assert slack >= -1e-9, seed
                assert of_least >= -1e-9, seed
    assert passed > 50
    assert refused > 50


def weighed_as_any(loads: Loads, kinds: Collection[int], positions: Collection[int]) -> float:
    """Weigh a set by the least of some kinds."""
    least, way_of = loads.least([kinds])
    sets = np.array([list(positions)])
    return float(loads.slack(least, sets, way_of[sets, 0][:, None, :])[0, 0])


def is_refused(loads: Loads, positions: Collection[int], ways: Collection[int]) -> bool:
    """Say whether the ledger has something against what hangs."""
    hung = {loads.names[one]: loads.ways[way].option for one, way in zip(positions, ways, strict=True)}
    return bool(troubles_on_air(loads.hung(hung)))


def several_of(count: int, least: int) -> list[tuple[int, ...]]:
    """List all choices of so many or more out of the first numbers."""
    return [some for many in range(least, count + 1) for some in combinations(range(count), many)]


def test_nothing_is_weighed_higher_than_as_any_of_some_kinds() -> None:
    """
    On drawn houses, each set and each two or more kinds: what is weighed below 0 as any of them the ledger refuses as each.

    What has something left has no less left as any of them.
    """
    refused = 0
    for seed in range(300, 324):
        raw, sheets = small_house(seed)
        # Who is louder is heard by more.
        for row, eirp in zip(sheets["access_point"].values(), ("20 dBm", "8 dBm", "14 dBm"), strict=False):
            row["radio"] = [{**radio, "eirp": eirp} for radio in row["radio"]]
        loads = loads_of(raw, sheets)
        for kinds, some in product(several_of(len(loads.kinds), 2), several_of(len(loads.names), 1)):
            able = [[way for way in loads.way_of[one, list(kinds)] if way >= 0] for one in some]
            if not all(able):
                continue
            hangings = list(product(*able))
            as_any = weighed_as_any(loads, kinds, some)
            slack = loads.slack(loads.figures, np.array([some]), np.array([hangings]))[0]
            assert (slack[slack >= 0] <= as_any + 1e-9).all(), (seed, kinds, some)
            if as_any < -1e-9:
                refused += 1
                assert all(is_refused(loads, some, ways) for ways in hangings), (seed, kinds, some)
    assert refused > 50


def test_what_is_weighed_as_any_of_some_kinds_carries_its_own_load() -> None:
    """Two sheets that admit 40 and 80, else alike: televisions that fill the air of each by the ledger fill that of any of them."""
    raw, sheets = two_rooms()
    for row, limit in zip(sheets["access_point"].values(), (40, 80), strict=True):
        row["radio"][0]["association_limit"] = limit
    for count, is_full in ((1, False), (10, True)):
        raw["device"] = {"televisions": {"kind": "television", "count": count, "at": "near"}}
        loads = loads_of(raw, sheets)
        ways = loads.way_of[0].tolist()
        assert len(ways) == 2
        assert [is_refused(loads, [0], [way]) for way in ways] == [is_full, is_full]
        assert (weighed_as_any(loads, [0, 1], [0]) < 0) == is_full


# The rules and lengths of the standard's bands: IEEE 802.11-2020 10.23.2.4 (EDCA best effort), by the ledger's own model.
@given(stations=st.floats(1.0, 60.0), longer_us=st.floats(0.0, 5000.0), band=st.sampled_from(list(Band)))
@settings(max_examples=150, deadline=None)
def test_the_least_idle_time_is_never_more_than_contention_leaves(
    stations: float, longer_us: float, band: Band
) -> None:
    """Whatever number of stations contends with turns of that length or longer, each turn leaves at least so much unused."""
    channel, shortest_us = Channel(band), 150.0
    rule, wait_us = waiting(channel)
    turn_us = shortest_us + longer_us
    one = Sender(stations, rule, turn_us + wait_us, turn_us + wait_us, 0.0)
    unused_us = turn_us / carried_share([one], channel.spacing.slot_us, [turn_us]) - turn_us
    assert least_idle_us(channel, shortest_us) <= unused_us + 1e-9


def test_a_device_more_or_a_dearer_sheet_never_makes_it_cheaper() -> None:
    """On drawn houses: more plugs in a room, or a sheet that costs more, and the price stays or rises."""
    risen = 0
    for seed in range(40):
        raw, sheets = small_house(seed)
        before = price_of(raw, sheets)
        more = {**raw, "device": {**raw["device"], "more": {"kind": "plug", "count": 9, "at": "room-1"}}}
        if not any(one["kind"] == "plug" for one in raw["device"].values()):
            continue  # a band that nobody needed so far asks for other sheets: still dearer, but drawn too rarely to tell
        name = min(sheets["access_point"])
        row = {**sheets["access_point"][name], "price": sheets["access_point"][name]["price"] + 35}
        dearer = {**sheets, "access_point": {**sheets["access_point"], name: row}}
        assert price_of(more, sheets) >= before - 1e-6, seed
        assert price_of(raw, dearer) >= before - 1e-6, seed
        risen += before < price_of(raw, dearer) < float("inf")
    assert risen


def price_of(raw: Row, sheets: Row) -> float:
    """Price of the cheapest set; infinite when there is none."""
    try:
        return choose(raw, Equipment.model_validate(sheets)).price
    except NoSolution:
        return float("inf")


def test_when_time_is_up_the_best_is_given_with_what_is_proven() -> None:
    """Stopped after any number of steps: a set that carries the plan, and never a bound above the true optimum."""
    raw, sheets = small_house(38)
    best = cheapest_of_all(raw, sheets)
    assert best is not None
    proven = []
    for steps in (0, 1, 2, 3, 5, 8, 13, 1000):
        left = iter(range(steps))
        chosen = choose(raw, Equipment.model_validate(sheets), go_on=partial(_takes, left))
        assert chosen.bound <= best + 1e-6
        assert chosen.price >= best - 1e-6
        assert all(line.grown_state is State.WITHIN for line in chosen.ledger.lines)
        proven.append(chosen.proven)
    assert not proven[0]
    assert proven[-1]
    assert chosen.price == pytest.approx(best)


def _takes(left: Iterator[int]) -> bool:
    return next(left, None) is not None


def test_what_is_not_found_in_time_is_refused_with_a_bound() -> None:
    """Stopped at once where no set carries the plan: the refusal says what any set costs at least, and what is lacking."""
    raw, sheets = small_house(3)
    assert cheapest_of_all(raw, sheets) is None
    with pytest.raises(NoSolution, match=r"in the time given; no set costs less than [\d.]+; nearest .* needs "):
        choose(raw, Equipment.model_validate(sheets), go_on=lambda: False)


def test_positions_that_devices_and_cables_name_are_hung() -> None:
    """A plan that hangs nothing, but whose devices and cables name access points: those hang, where they are said to."""
    raw, sheets = small_house(1)
    raw["device"] = {
        "phones": {"kind": "phone", "count": 3, "access_points": ["room-2"]},
        "laptops": {"kind": "laptop", "count": 2, "access_points": ["corner"]},
        "plugs": {"kind": "plug", "count": 3, "at": "room-0"},
    }
    raw["drop"] = {"up": {"starts": "a", "ends": "room-1", "length": "9 m", "feeds": "access_point:corner"}}
    raw["ceilings"] = {"airtime": "80 %"}
    radio = [{"band": band, "association_limit": 60} for band in ("2.4", "5")]
    sheets["access_point"] = {"one": {"price": 50, "power": {"supply": "802.3", "class": 3}, "radio": radio}}
    chosen = choose(raw, Equipment.model_validate(sheets))
    hung = {name: point.at for name, point in chosen.site.access_point.items()}
    assert hung == {"room-2": "room-2", "corner": "room-1"}
    assert chosen.proven
    assert chosen.equipment_price == SWITCH["price"] + ROUTER["price"] + 2 * 50
    raw["device"] = {"desk": {"kind": "desktop", "at": "a"}}
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert {name: point.at for name, point in chosen.site.access_point.items()} == {"corner": "room-1"}


def test_a_budget_is_held_against_the_cheapest_set_alone() -> None:
    """Every budget from the cheapest price on is enough, though dearer sets are looked at on the way; one less is not."""
    for seed in (0, 12, 38):
        raw, sheets = small_house(seed)
        best = cheapest_of_all(raw, sheets)
        assert best is not None
        assert price_of({**raw, "budget": {"equipment": best}}, sheets) == pytest.approx(best)
        with pytest.raises(NoSolution, match=r"the cheapest set .* 1\.00 are missing"):
            choose({**raw, "budget": {"equipment": best - 1}}, Equipment.model_validate(sheets))


def test_rooms_that_no_sheet_carries_are_named_with_amounts() -> None:
    """Sixty phones in a room and a sheet that admits eight: the refusal names what hangs, what is needed and what there is."""
    raw, sheets = small_house(1)
    raw["device"] = {"phones": {"kind": "phone", "count": 60, "at": "room-1"}}
    radio = [{"band": "5", "association_limit": 8}]
    sheets["access_point"] = {"small": {"price": 50, "power": {"supply": "802.3", "class": 3}, "radio": radio}}
    with pytest.raises(
        NoSolution, match=r"room-\d: needs [\d.]+ stations in 5 GHz with growth, and of small there [\d.]+ can"
    ):
        choose(raw, Equipment.model_validate(sheets))


def test_the_demo_in_rooms_is_proven_in_few_proposals() -> None:
    """Each wireless device in a room: two better access points are found and proven, where 30 proposals were needed once."""
    raw, sheets = demo_in_rooms()
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert chosen.proven
    assert chosen.rounds <= 3
    assert all(line.grown_state is State.WITHIN for line in chosen.ledger.lines)
    assert not chosen.ledger.flaws


def test_the_demo_without_access_points_is_proven_in_few_proposals() -> None:
    """Eight rooms, nothing hung: how many and where is found and proven, and the written ledger has no line over."""
    raw, sheets = demo_unhung()
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert chosen.proven
    assert chosen.rounds <= 20
    assert all(line.grown_state is State.WITHIN for line in chosen.ledger.lines)
    assert not chosen.ledger.flaws
