"""Orders by signal are heard from the first moment of `netaudit run`, and none is lost between two plans."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from netaudit.daemon.orders import Orders

# The order comes while the first of what takes long is being loaded.
EARLY = """
import os, sys
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == "netaudit.daemon.reload":
            os.kill(os.getpid(), int(sys.argv[1]))
sys.meta_path.insert(0, Finder())
from netaudit.cli import main
sys.exit(main(["run", "no-such-plan.toml"]))
"""


@pytest.mark.parametrize("order", [signal.SIGTERM, signal.SIGINT])
def test_an_order_to_end_is_heard_before_anything_is_loaded(order: signal.Signals) -> None:
    """It ends by its own will, with status 0: by the signal's default a container's first process would not end at all."""
    done = subprocess.run(
        [sys.executable, "-c", EARLY, str(int(order))], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_an_early_order_for_the_plan_is_no_end() -> None:
    """SIGHUP at that moment does not end it: it goes on, to say that there is no such plan."""
    done = subprocess.run(
        [sys.executable, "-c", EARLY, str(int(signal.SIGHUP))], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 2
    assert "no-such-plan.toml" in done.stderr


def test_orders_are_kept_while_nobody_hears() -> None:
    """Whoever hears next finds them; what is heard ends nothing by itself."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    heard: list[tuple[bool, bool]] = []
    try:
        orders = Orders()
        orders.hear(lambda: heard.append((orders.end, orders.again)))
        os.kill(os.getpid(), signal.SIGHUP)
        orders.hear(lambda: None)
        os.kill(os.getpid(), signal.SIGTERM)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert heard == [(False, True)]
    assert (orders.end, orders.again) == (True, True)
