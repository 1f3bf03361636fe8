"""Free positions: the cheapest hanging is that of trying every one, and the demo without access points is proven."""

from __future__ import annotations

import random
import tomllib
from importlib import resources
from itertools import product
from typing import Any

import pytest

from netaudit.capacity.choose.choices import gather_choices
from netaudit.capacity.choose.ground import prepare
from netaudit.capacity.choose.search import choose
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import Kind, State
from netaudit.errors import NoSolution
from netaudit.site.equipment import Equipment
from netaudit.site.load import build_site

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
        "switch": {"first": {**SWITCH, "closet": "a", "uplink": "router"}},
    }
    for each in sorted(product(*options.values()), key=lambda each: sum(one.price for one in each)):
        rows = {name: one.row for name, one in zip(options, each, strict=True) if one.row is not None}
        if not rows:
            continue
        ledger = gather(build_site({**raw, **fixed, "access_point": rows}))
        calm = all(line.grown_state is State.WITHIN for line in ledger.lines if line.kind is not Kind.MONEY)
        if calm and not ledger.hazards and not ledger.flaws:
            return float(SWITCH["price"] + ROUTER["price"] + sum(one.price for one in each))
    return None


@pytest.mark.parametrize("block", range(6))
def test_the_hanging_is_the_cheapest_of_all(block: int) -> None:
    """On twenty drawn houses a block: the price is that of trying every hanging; where none passes none is offered."""
    for seed in range(20 * block, 20 * block + 20):
        raw, sheets = small_house(seed)
        best = cheapest_of_all(raw, sheets)
        try:
            found: float | None = choose(raw, Equipment.model_validate(sheets)).price
        except NoSolution:
            found = None
        assert found == (None if best is None else pytest.approx(best)), seed


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


def test_the_demo_without_access_points_is_proven_in_few_proposals() -> None:
    """Eight rooms, nothing hung: how many and where is found and proven, and the written ledger has no line over."""
    folder = resources.files("netaudit.demo")
    texts = [folder.joinpath(name).read_text("utf-8") for name in ("site.toml", "equipment.toml")]
    raw, sheets = map(tomllib.loads, texts)
    hung = {row["drop"] for row in raw.pop("access_point").values()}
    raw["drop"] = {name: row for name, row in raw["drop"].items() if name not in hung}
    for row in raw["device"].values():
        row.pop("access_points", None)
    chosen = choose(raw, Equipment.model_validate(sheets))
    assert chosen.proven
    assert chosen.rounds <= 20
    assert all(line.grown_state is State.WITHIN for line in chosen.ledger.lines)
    assert not chosen.ledger.flaws
