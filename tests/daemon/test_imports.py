"""The watch of a small box loads what it uses and nothing that a child process can load instead."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

# Each costs 2 MB and more at rest (benchmarks/small_box.py shows the sum): migrations, solver, drawing, delivery, packets,
# pages that nobody has asked for yet, and the other database.
HEAVY = {
    "alembic",
    "apprise",
    "highspy",
    "jinja2",
    "mako",
    "matplotlib",
    "numpy",
    "paho",
    "pygal",
    "pysnmp",
    "requests",
    "resvg_py",
    "scapy",
    "scipy",
    "sqlalchemy.dialects.postgresql",
    "weasyprint",
}
# What a watch does before it looks for the first time: read, reckon, make the store, open it, build its pages.
BEGIN = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from prometheus_client import CollectorRegistry, generate_latest
import netaudit.cli.run
from netaudit.daemon.prepare import prepare
from netaudit.daemon.reload import load_plan
from netaudit.daemon.watch import Watch
from netaudit.publish.kept import Kept
from netaudit.publish.metrics import LedgerCollector
from netaudit.publish.page import make_app
from netaudit.publish.state import first_state
from netaudit.store.store import Store

folder = Path(sys.argv[1])
now = lambda: datetime.now(UTC)
plan = load_plan(folder / "site.toml")
prepare(str(folder / "site.db"), plan.site.site.name)
with Store.open(folder / "site.db", site=plan.site.site.name, clock=now) as store:
    registry = CollectorRegistry()
    state = first_state(plan.site, plan.ledger)
    registry.register(LedgerCollector(lambda: state))
    make_app(lambda: state, Kept(store, plan.site, now), registry, reports=folder, now=now)
    generate_latest(registry)
print(*sys.modules)
"""
PLAN = """
[site]
name = "Small"
[segment.home]
network = "192.168.7.0/24"
[switch.shelf]
ports = 8
[access_point.hall]
[device.plug]
kind = "plug"
"""


def test_the_watch_loads_nothing_heavy(tmp_path: Path) -> None:
    """What reports, alerts, migrations, choosing and pages need is not in the process that stays, not even the first time."""
    (tmp_path / "site.toml").write_text(PLAN)
    done = subprocess.run([sys.executable, "-c", BEGIN, str(tmp_path)], capture_output=True, text=True, check=True)
    loaded = done.stdout.split()
    assert (tmp_path / "site.db").stat().st_size > 0
    assert HEAVY & {*loaded} == set()
