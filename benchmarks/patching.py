"""
How fast the patch schedule is solved, beside scipy's assignment solver on the same problem.

One closet with switches of mixed ports and plugs of mixed needs (deterministic). Ours places alike plugs together; scipy is
given each plug and each port by itself, which is the problem as it is usually written down. Both must place as many.

    python -m benchmarks.patching [PLUGS]
"""

from __future__ import annotations

import random
import sys
import time

import numpy as np
from scipy.optimize import linear_sum_assignment

from netaudit.capacity.patching import place

KINDS, PLACES = 12, 40


def main() -> None:
    plugs = int(sys.argv[1]) if len(sys.argv) > 1 else 1500
    dice = random.Random(7)
    demands = [plugs // KINDS] * KINDS
    room = [plugs // PLACES] * PLACES
    allowed = [sorted(dice.sample(range(PLACES), 3 + kind)) for kind in range(KINDS)]

    started = time.perf_counter()
    taken = place(demands, room, [[choices] for choices in allowed])
    ours_s = time.perf_counter() - started
    placed = sum(sum(where.values()) for where in taken)

    fits = np.zeros((KINDS, PLACES))
    for kind, choices in enumerate(allowed):
        fits[kind, choices] = 1.0
    each = np.repeat(np.repeat(fits, demands, axis=0), room, axis=1)
    started = time.perf_counter()
    rows, columns = linear_sum_assignment(each, maximize=True)
    theirs_s = time.perf_counter() - started
    best = int(each[rows, columns].sum())

    print(f"{sum(demands)} plugs, {sum(room)} ports: placed {placed}, scipy {best}")
    print(f"ours {ours_s * 1e3:.2f} ms, scipy {theirs_s * 1e3:.0f} ms: {theirs_s / ours_s:.0f} times as fast")
    if placed != best:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
