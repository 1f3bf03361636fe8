"""The watch of a small box loads what it uses and nothing that a child process can load instead."""

from __future__ import annotations

import subprocess
import sys

# Each costs 10 MB and more at rest (benchmarks/small_box.py shows the sum): migrations, solver, drawing, delivery, packets.
HEAVY = {
    "alembic",
    "apprise",
    "highspy",
    "matplotlib",
    "numpy",
    "paho",
    "pysnmp",
    "requests",
    "resvg_py",
    "scapy",
    "scipy",
}


def test_the_watch_loads_nothing_heavy() -> None:
    """What reports, alerts, migrations and choosing need is not in the memory of the process that stays."""
    code = (
        "import sys, netaudit.cli.run, netaudit.daemon.reload; print(*{name.partition('.')[0] for name in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert HEAVY & set(done.stdout.split()) == set()
