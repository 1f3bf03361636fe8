"""
How long choosing takes on a large drawn site, in CPU time: 40 sheets, 12 closets, 40 access points.

Run: python benchmarks/choose.py. It prints CPU and wall time of one choice, the rounds it took, and how often the time of one
ledger of the same site that is: a ratio that holds on other machines, too.
"""

from __future__ import annotations

import random
import time
from typing import Any

from netaudit.capacity.choose.search import choose
from netaudit.capacity.ledger import gather
from netaudit.site.equipment import Equipment
from netaudit.site.load import build_site

CLOSETS, POINTS, SEED = 12, 40, 5


def sheets(draw: random.Random) -> dict[str, Any]:
    """Give 40 sheets: prices rise with ports, supply and stations, with some noise, as in shops."""
    found: dict[str, Any] = {
        table: {} for table in ("switch", "access_point", "router", "recorder", "disk", "injector")
    }
    for number in range(20):
        count = (8, 10, 16, 24, 48)[number % 5]
        watts = (0, 4, 8, 15)[number // 5] * count
        group = {"count": count, "power": ("none", "type 2", "type 2", "type 3")[number // 5]}
        price = round(20 + 5 * count + 1.2 * watts + draw.uniform(0, 20), 2)
        row = {"price": price, "ports": [group, {"count": 4, "medium": "fibre", "rate": "10 Gb/s"}]}
        found["switch"][f"switch-{number}"] = row | ({"supply": f"{watts} W"} if watts else {})
    for number in range(9):
        limit = (32, 64, 128)[number % 3]
        radios = [
            {"band": "2.4", "association_limit": limit},
            {"band": "5", "width": "40 MHz", "association_limit": limit, "streams": 1 + number // 3},
        ]
        power = {"supply": "802.3", "class": 3 + number // 5}
        price = round(60 + limit / 2 + 30 * (number // 3) + draw.uniform(0, 15), 2)
        found["access_point"][f"point-{number}"] = {"price": price, "power": power, "radio": radios}
    for number in range(4):
        ports = (4, 8, 16, 16)[number]
        found["router"][f"router-{number}"] = {
            "price": 80 + 90 * number,
            "ports": ports,
            "routed": f"{1 + number} Gb/s",
        }
    for number in range(2):
        found["recorder"][f"recorder-{number}"] = {
            "price": 200 + 200 * number,
            "bays": 4 + 4 * number,
            "write": "2 Gb/s",
        }
    for number in range(3):
        found["disk"][f"disk-{number}"] = {"price": 90 + 90 * number, "size": f"{4 + 6 * number} TB"}
    for number in range(2):
        found["injector"][f"injector-{number}"] = {"price": 25 + 20 * number, "power": f"type {2 + number}"}
    return found


def plan(draw: random.Random) -> dict[str, Any]:
    """Give a site of 12 closets in a tree with 40 access points, some 170 wired and 380 wireless devices."""
    closets = [f"closet-{number}" for number in range(CLOSETS)]
    houses = [f"house-{number}" for number in range(4)]
    rooms = {
        f"room-{number}": {
            "building": houses[number % 4],
            "closet": closets[number % CLOSETS],
            "x": f"{200 * (number % 4) + 14 * (number // 4 % 3)} m",
            "y": f"{14 * (number // 12)} m",
            "width": "12 m",
            "depth": "12 m",
        }
        for number in range(POINTS)
    }
    device: dict[str, Any] = {}
    for closet in closets:
        device[f"cameras-{closet}"] = {
            "kind": "camera",
            "count": draw.randint(0, 8) + 1,
            "at": closet,
            "segment": "eyes",
        }
        device[f"telephones-{closet}"] = {
            "kind": "desk_phone",
            "count": draw.randint(1, 6),
            "at": closet,
            "segment": "home",
        }
        device[f"desks-{closet}"] = {"kind": "desktop", "count": draw.randint(1, 9), "at": closet, "segment": "home"}
    for room in rooms:
        device[f"telephones-{room}"] = {"kind": "phone", "count": draw.randint(2, 8), "at": room, "segment": "pockets"}
        device[f"plugs-{room}"] = {"kind": "plug", "count": draw.randint(2, 7), "at": room, "segment": "things"}
    ways = {
        f"way-{number}": {
            "starts": closets[number % 4 if number >= 4 else 0],
            "ends": closets[number],
            "category": "cat6" if number >= 4 else "fibre",
        }
        for number in range(1, CLOSETS)
    }
    return {
        "site": {"name": "drawn"},
        "drop": ways,
        "segment": {
            "home": {"network": "10.64.0.0/23"},
            "eyes": {"network": "10.65.0.0/23"},
            "pockets": {"network": "10.66.0.0/22", "ssid": "drawn", "pool": ["10.66.1.0", "10.66.3.250"]},
            "things": {"network": "10.67.0.0/22", "ssid": "drawn-things", "pool": ["10.67.1.0", "10.67.3.250"]},
        },
        "building": {name: {} for name in houses},
        "closet": {name: {"max_switches": 3, "building": houses[number % 4]} for number, name in enumerate(closets)},
        "room": rooms,
        "router": {"closet": closets[0], "wan_down": "2 Gb/s", "wan_up": "1 Gb/s"},
        "access_point": {f"point-{room}": {"at": room} for room in rooms},
        "recorder": {"box": {"closet": closets[0], "segment": "eyes", "retention": "7 d"}},
        "device": device,
    }


def main() -> None:
    draw = random.Random(SEED)
    raw, equipment = plan(draw), Equipment.model_validate(sheets(draw))
    cpu, wall = time.process_time(), time.perf_counter()
    chosen = choose(raw, equipment)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    ledger = time.process_time()
    gather(build_site(chosen.raw))
    ledger = time.process_time() - ledger
    count = sum(len(table) for _, table in equipment if table)
    print(f"{count} sheets, {CLOSETS} closets, {POINTS} access points")
    print(f"chosen in {cpu:.2f} s of CPU time ({wall:.2f} s by the clock), {chosen.rounds} proposals")
    print(f"proven cheapest: {chosen.proven}; {cpu / ledger:.0f} times one ledger of the site")


if __name__ == "__main__":
    main()
