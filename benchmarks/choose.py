"""
How long choosing takes, in CPU time: on a large drawn site, and where the plan gives rooms and hangs no access point.

Run: python -m benchmarks.choose. For 40 sheets, 12 closets and 40 access points, for the demo with its devices in rooms, and for
drawn houses of 12 and 20 rooms, it prints CPU and wall time of one choice, the proposals it took, what is proven, and how often
the time of one ledger of the same site that is: a ratio that holds on other machines, too.
"""

from __future__ import annotations

import random
import time
from typing import Any

from netaudit.capacity.choose.search import choose
from netaudit.capacity.ledger import gather
from netaudit.site.equipment import Equipment
from netaudit.site.load import build_site
from tests.capacity.free_rooms import demo_in_rooms

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


def house(draw: random.Random, rooms: int) -> dict[str, Any]:
    """Give a house of two storeys and a barn with so many rooms, things in each of them, and no access point."""
    in_barn = rooms - max(1, rooms // 6)
    room: dict[str, Any] = {}
    for number in range(rooms):
        place, floor = number // 2, number % 2
        barn = number >= in_barn
        room[f"room-{number}"] = {
            "building": "barn" if barn else "house",
            "closet": "barn" if barn else ("cellar", "attic")[floor],
            "floor": 0 if barn else floor,
            "x": f"{60 * barn + 7 * (place % 4)} m",
            "y": f"{6 * (place // 4)} m",
            "width": "7 m",
            "depth": "6 m",
        }
    device: dict[str, Any] = {"cameras": {"kind": "camera", "count": 4, "at": "barn", "segment": "eyes"}}
    for name in room:
        device[f"phones-{name}"] = {"kind": "phone", "count": draw.randint(1, 3), "at": name, "segment": "home"}
        device[f"plugs-{name}"] = {"kind": "plug", "count": draw.randint(1, 2), "at": name, "segment": "things"}
        for kind, chance in (("laptop", 0.6), ("television", 0.3), ("desktop", 0.4)):
            if draw.random() < chance:
                device[f"{kind}-{name}"] = {"kind": kind, "at": name, "segment": "home"}
    return {
        "site": {"name": "house"},
        "segment": {
            "home": {"network": "10.64.0.0/22", "ssid": "house", "pool": ["10.64.0.50", "10.64.3.250"]},
            "things": {"network": "10.65.0.0/22", "ssid": "things", "pool": ["10.65.0.50", "10.65.3.250"]},
            "eyes": {"network": "10.66.0.0/24"},
        },
        "building": {"house": {}, "barn": {}},
        "closet": {
            "cellar": {"building": "house", "max_switches": 2},
            "attic": {"building": "house", "max_switches": 2},
            "barn": {"building": "barn"},
        },
        "room": room,
        "router": {"closet": "cellar", "wan_down": "1 Gb/s", "wan_up": "200 Mb/s"},
        "recorder": {"box": {"closet": "cellar", "segment": "eyes", "retention": "7 d"}},
        "device": device,
    }


def measure(name: str, raw: dict[str, Any], equipment: Equipment) -> None:
    cpu, wall = time.process_time(), time.perf_counter()
    chosen = choose(raw, equipment)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    ledger = time.process_time()
    gather(build_site(chosen.raw))
    ledger = time.process_time() - ledger
    print(f"{name}")
    print(f"  chosen in {cpu:.2f} s of CPU time ({wall:.2f} s by the clock), {chosen.rounds} proposals")
    print(f"  {chosen.price:.2f}, nothing below {chosen.bound:.2f}, proven cheapest: {chosen.proven}")
    print(f"  {cpu / ledger:.0f} times one ledger of the site; {len(chosen.site.access_point)} access points")


def main() -> None:
    draw = random.Random(SEED)
    raw, equipment = plan(draw), Equipment.model_validate(sheets(draw))
    count = sum(len(table) for _, table in equipment if table)
    measure(f"{count} sheets, {CLOSETS} closets, {POINTS} access points", raw, equipment)
    raw, found = demo_in_rooms()
    equipment = Equipment.model_validate(found)
    measure(f"the demo in its {len(raw['room'])} rooms, nothing hung", raw, equipment)
    for rooms in (12, 20):
        measure(f"a house of {rooms} rooms, nothing hung", house(random.Random(SEED), rooms), equipment)


if __name__ == "__main__":
    main()
