"""A short soak in each run of the tests; `make soak` is the long one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from netaudit.observe.rights import may_look
from tests.soak.script import BEGINS, STEP, write_script
from tests.soak.soak import soak

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.timeout(600)
def test_two_days_with_everything_that_goes_wrong(tmp_path: Path) -> None:
    """
    Killed, out of disk, with a wrong clock, a receiver that is away and changed plans: each trouble is found once, told once
    and closed, nothing else is, the database is sound and no large leak shows.
    """
    if not may_look():
        pytest.skip("needs the right to raw sockets: the watch refuses to be made without")
    done = soak(days=2, devices=40, kills=3, seed=1, folder=tmp_path)
    assert done.faults() == []
    assert done.killed == 3
    assert done.found >= 6
    # The faults were there.
    assert done.refused > 0
    assert done.unwritten > 0


@pytest.mark.timeout(400)
def test_a_leak_is_noticed(tmp_path: Path) -> None:
    """What keeps 20 kB at each sweep is found in a day; `make soak` finds 1 kB in a month (tests/soak/soak.py --leak)."""
    if not may_look():
        pytest.skip("needs the right to raw sockets: the watch refuses to be made without")
    done = soak(days=1, devices=10, kills=0, seed=1, folder=tmp_path, leak=20_000)
    assert [fault for fault in done.faults() if "memory" in fault]
    assert done.slope.low <= 20_000 <= done.slope.high * 1.1


def test_the_script_holds_every_kind_of_fault() -> None:
    """The month has 20 kills, reloads, full disks, wrong clocks, and all kinds of trouble; the same seed, the same month."""
    script = write_script(days=30, devices=250, kills=20, seed=1)
    assert len(script.kills) == 20
    assert min(len(script.reloads), len(script.full), len(script.jumps), len(script.flaps), len(script.deaf)) >= 10
    assert {jump > 0 * STEP for jump in script.jumps.values()} == {True, False}
    assert max(script.kills | script.reloads) < script.calm_from
    assert {(one.rule, one.place.partition(":")[0]) for one in script.troubles} == {
        ("missing", "device"),
        ("unknown", "device"),
        ("source_silent", "source"),
        ("channel_failing", "alert"),
    }
    assert {one.place for one in script.troubles} >= {"source:sweep:home", "source:switch:shelf", "source:names:home"}
    assert script == write_script(days=30, devices=250, kills=20, seed=1)


def test_the_script_says_what_it_means() -> None:
    """While a device is away nobody sees it; while the sweep fails nobody is seen at all."""
    script = write_script(days=2, devices=40, kills=3, seed=1)
    gone = next(one for one in script.troubles if one.rule == "missing")
    seen = {getattr(one, "mac", "") for one in script.observations(gone.begins, BEGINS + gone.begins * STEP)}
    assert "02:00:00:00:00:00" not in seen
    assert "02:00:00:00:00:01" in seen
    blind = next(one for one in script.troubles if one.place == "source:sweep:home")
    assert not [one for one in script.observations(blind.begins, BEGINS) if hasattr(one, "mac")]
