"""
How the full ledger grows with the plan: `python -m benchmarks.ledger`.

Prints the time of each size (best of three, this process, one core), the ratio of ten times the devices, and the peak
memory of a process that did only the largest plan.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from netaudit.capacity.ledger import gather
from netaudit.site.load import build_site, load_site
from tests.capacity.large_plan import large_plan

DEMO = Path(__file__).resolve().parents[1] / "netaudit" / "demo" / "site.toml"


def best_s(devices: int) -> float:
    site = build_site(large_plan(devices))
    times = []
    for _ in range(3):
        began = time.process_time()
        gather(site)
        times.append(time.process_time() - began)
    return min(times)


def main() -> None:
    if "--memory" in sys.argv:
        gather(build_site(large_plan(10_000)))
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        return
    site = load_site(DEMO)
    gather(site)
    began = time.process_time()
    gather(site)
    print(f"demo site: {(time.process_time() - began) * 1e3:.0f} ms (asked: under 50 ms after import)")
    few, many = best_s(1_000), best_s(10_000)
    print(f"1,000 devices, 200 access points, 100 switches: {few:.2f} s")
    print(f"10,000 devices: {many:.2f} s (asked: under 1.5 s), {many / few:.1f} times (asked: at most 12)")
    done = subprocess.run([sys.executable, __file__, "--memory"], capture_output=True, text=True, check=True)
    print(f"peak memory of a process with the large plan: {int(done.stdout) / 1024:.0f} MB (asked: under 150 MB)")


if __name__ == "__main__":
    main()
