"""`netaudit draft --sweep` on a laboratory network: who answers is in the plan, and nobody else."""

from __future__ import annotations

import errno
import os
import pty
import re
import subprocess
import sys
import tomllib
from ipaddress import IPv4Network
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import Mock

from netaudit.cli import main
from tests.lab.host import crowd

if TYPE_CHECKING:
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
    assert (done.returncode, done.stderr) == (0, f"asking each address of {NET} ...\n")
    assert done.stdout.startswith(f"wrote {plan}; ")
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


def test_the_way_out_is_the_router_and_no_device(lab: Lab, tmp_path: Path) -> None:
    """The host that the default route leads to becomes the segment's gateway; without a route it is the first address."""
    hosts = crowd(NET, 4, skip=0)
    segment = lab.segment(hosts, own=["192.0.2.30/27"])
    for gateway in (hosts[0], hosts[3]):
        plan = tmp_path / f"{gateway.address}.toml"
        words = ["draft", "--sweep", segment.interface, str(NET), "--write", str(plan)]
        assert lab.run([sys.executable, "-m", "netaudit", *words], check=False).returncode == 0
        raw = tomllib.loads(plan.read_text())
        macs = [mac for row in raw["device"].values() for mac in row.get("mac", ())]
        assert sorted(macs) == sorted(host.mac for host in hosts if host is not gateway)
        assert raw["segment"]["home"]["gateway"] == gateway.address
        if gateway is hosts[0]:
            lab.ip(f"route add default via {hosts[3].address}")


def test_a_slip_on_a_terminal_is_asked_again(tmp_path: Path) -> None:
    """Nobody loses four answers for the fifth: a word that is no number is told, and the question comes once more."""
    plan = tmp_path / "plan.toml"
    teller, terminal = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "netaudit", "draft", "--write", str(plan)],
        stdin=terminal,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        os.write(teller, b"Weir Cottage\nhome\n192.168.20.0/24\nhall\n4\ntwo\n2\n\n\n\n\n")
        said = child.communicate(timeout=60)[1]
    os.close(teller)
    os.close(terminal)
    assert child.returncode == 0, said
    assert said.splitlines() == [
        '"home" is no IPv4 network; write one such as 192.168.20.0/24',
        '"two" is no number of portable computers; write 0 or more',
    ]
    raw = tomllib.loads(plan.read_text())
    assert {name: row["count"] for name, row in raw["device"].items()} == {"phones": 4, "laptops": 2}
    assert raw["site"]["name"] == "Weir Cottage"


def test_a_draft_on_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A plan that could not be written whole is not there afterwards, so that the same call can be made again."""
    plan = tmp_path / "plan.toml"
    real = Path.open

    def fill(path: Path, *args: Any, **kwargs: Any) -> Any:
        file = real(path, *args, **kwargs)
        if path == plan:
            monkeypatch.setattr(file, "write", Mock(side_effect=OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))))
        return file

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", fill)
        assert main(["draft", "--name", "x", "--write", str(plan)]) == 2
    assert not plan.exists()
    assert main(["draft", "--name", "x", "--write", str(plan)]) == 0


def test_a_sweep_of_a_public_network_is_refused(lab: Lab, tmp_path: Path) -> None:
    """A network that isn't private or for documentation is never asked: an error, no plan and no frame."""
    segment = lab.segment(crowd(NET, 2), own=["192.0.2.1/27"], log=True)
    plan = tmp_path / "plan.toml"
    words = ["draft", "--sweep", segment.interface, "11.0.0.0/28", "--write", str(plan)]
    done = lab.run([sys.executable, "-m", "netaudit", *words], check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("netaudit draft: 11.0.0.0/28 is not a private network")
    assert done.stderr.count("\n") == 1
    assert not plan.exists()
    assert segment.log() == []
