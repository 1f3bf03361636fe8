"""`netaudit draft --sweep` on a laboratory network: who answers is in the plan, and nobody else."""

from __future__ import annotations

import re
import sys
import tomllib
from ipaddress import IPv4Network
from typing import TYPE_CHECKING

from netaudit.cli import main
from tests.lab.host import crowd

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/27")


def test_a_sweep_becomes_a_plan_of_who_answered(lab: Lab, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Seven hosts: each MAC and address stands in the plan once, with the interface; guesses are marked; the plan is sound."""
    hosts = crowd(NET, 7)
    segment = lab.segment(hosts, own=["192.0.2.1/27"])
    plan = tmp_path / "plan.toml"
    words = ["draft", "--name", "Weir Cottage", "--sweep", segment.interface, str(NET), "--write", str(plan)]
    done = lab.run([sys.executable, "-m", "netaudit", *words], check=False)
    assert (done.returncode, done.stderr) == (0, "")
    text = plan.read_text()
    raw = tomllib.loads(text)
    macs = [mac for row in raw["device"].values() for mac in row.get("mac", ())]
    assert sorted(macs) == sorted(host.mac for host in hosts)
    said = re.findall(r"^# guess: .* seen at ([0-9.]+)", text, re.MULTILINE)
    assert sorted(said) == sorted(str(host.address) for host in hosts)
    (home,) = raw["segment"].values()
    assert (home["network"], home["interface"]) == (str(NET), segment.interface)
    assert main(["check", str(plan)]) == 0
    capsys.readouterr()


def test_a_sweep_of_a_public_network_is_refused(lab: Lab, tmp_path: Path) -> None:
    """A network that isn't private or for documentation is never asked: an error, no plan and no frame."""
    segment = lab.segment(crowd(NET, 2), own=["192.0.2.1/27"], log=True)
    plan = tmp_path / "plan.toml"
    words = ["draft", "--sweep", segment.interface, "11.0.0.0/28", "--write", str(plan)]
    done = lab.run([sys.executable, "-m", "netaudit", *words], check=False)
    assert done.returncode != 0
    assert done.stderr
    assert "Traceback" not in done.stderr
    assert not plan.exists()
    assert segment.log() == []
