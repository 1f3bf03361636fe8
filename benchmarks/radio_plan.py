"""
How long the radio subject takes for a large plan, beside loading the same plan with tomllib and pydantic in the same run.

200 access points in one building with positions and walls, 10,000 devices, each a table of its own: the worst way to write it.
"""

from __future__ import annotations

import time

from netaudit.capacity.radio import choose_channels, judge
from netaudit.site.load import parse_site

ACCESS_POINTS = 200
DEVICES = 10_000
KINDS = ("plug", "light", "phone", "laptop", "sensor")


def large_plan(*, placed: bool) -> str:
    """Write the plan; without positions every radio counts as hearing every other."""
    parts = ['[site]\nname = "Large"\n[building.house]\n[closet.c]\n[switch.s]\nports = 48\n']
    parts += [f'[segment.{n}]\nnetwork = "10.{k}.0.0/16"\nssid = "{n}"\n' for k, n in enumerate("ab")]
    for k in range(ACCESS_POINTS):
        x, y, floor = k % 10 * 12, k // 10 % 5 * 12, k // 50
        where = f'x = "{x} m"\ny = "{y} m"\nwidth = "10 m"\ndepth = "10 m"\n' if placed else ""
        parts.append(f'[room.r{k}]\nfloor = {floor}\n{where}[access_point.p{k}]\nat = "r{k}"\nswitch = "s"\n')
    for k in range(DEVICES):
        kind, segment = KINDS[k % len(KINDS)], "ab"[k % 2]
        parts.append(f'[device.d{k}]\nkind = "{kind}"\nsegment = "{segment}"\nat = "r{k % ACCESS_POINTS}"\n')
    if placed:
        wall = '[[wall]]\nfloor = {0}\nx1 = "{1} m"\ny1 = "0 m"\nx2 = "{1} m"\ny2 = "60 m"\nmaterial = "brick"\n'
        parts += [wall.format(floor, 3 * k) for floor in range(4) for k in range(40)]
    return "".join(parts)


def main() -> None:
    for placed in (False, True):
        text = large_plan(placed=placed)
        started = time.perf_counter()
        site = parse_site(text)
        loaded = time.perf_counter()
        judge(site)
        judged = time.perf_counter()
        choose_channels(site)
        chosen = time.perf_counter()
        load_s, judge_s, choose_s = loaded - started, judged - loaded, chosen - judged
        print(
            f"{'with' if placed else 'without'} positions: load {load_s:.2f} s, judge {judge_s:.2f} s"
            f" ({judge_s / load_s:.1f} of loading), choose channels {choose_s:.2f} s ({choose_s / load_s:.1f})"
        )


if __name__ == "__main__":
    main()
