"""A plan of any size, made by rule: for benchmarks and for laws that must hold at any size."""

from __future__ import annotations

from typing import Any

KINDS = ("plug", "light", "sensor", "phone", "laptop", "camera", "desktop", "printer")


def large_plan(devices: int, access_points: int = 200, switches: int = 100) -> dict[str, Any]:
    """
    Give plan data with so many devices, each on its own table, spread evenly over rooms, segments, points and switches.

    The first switch is the root; each further one hangs on one of the first ten, so that no path is longer than three.
    """
    closets = {f"c{n}": {"building": f"b{n % 10}"} for n in range(switches)}
    points = {
        f"p{n}": {"at": f"r{n}", "radio": [{"band": "2.4", "channel": (1, 6, 11)[n % 3]}, {"band": "5", "channel": 36}]}
        for n in range(access_points)
    }
    return {
        "site": {"name": "Large"},
        "building": {f"b{n}": {} for n in range(10)},
        "closet": closets,
        "room": {f"r{n}": {"building": f"b{n % 10}", "closet": f"c{n % switches}"} for n in range(access_points)},
        "segment": {
            f"s{n}": {"network": f"10.{n}.0.0/16", "ssid": f"net{n}", "pool": [f"10.{n}.128.1", f"10.{n}.255.254"]}
            for n in range(8)
        },
        "router": {"closet": "c0", "ports": 16, "routed": "10 Gb/s"},
        "switch": {
            f"w{n}": {
                "closet": f"c{n}",
                "supply": "1000 W",
                "ports": [{"count": 200, "power": "type 2"}],
                "uplink": "router" if n == 0 else "switch:w0" if n < 10 else f"switch:w{n % 10}",
            }
            for n in range(switches)
        },
        "access_point": points,
        "recorder": {"tape": {"closet": "c0", "disk": "20 TB", "disks": 16}},
        "device": {
            f"d{n}": {"kind": KINDS[n % len(KINDS)], "segment": f"s{n % 8}", "at": f"r{n % access_points}"}
            for n in range(devices)
        },
    }
