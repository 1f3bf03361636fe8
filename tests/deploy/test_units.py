"""The unit, its user and its folders, the alert rules, the container file: as far as their own tools can tell offline."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNIT = DEPLOY / "netaudit.service"


def tool(name: str) -> str:
    """Give a program of the system, or skip."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not on this machine")
    return found


def test_the_unit_is_exposed_by_two_of_ten_at_most() -> None:
    """systemd-analyze's own sum over what a service could do, 10 for an ordinary one."""
    done = subprocess.run(
        [tool("systemd-analyze"), "security", "--offline=true", "--threshold=20", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
    )
    level = re.search(r"exposure level for netaudit.service: ([\d.]+)", done.stdout)
    assert level is not None, done.stdout + done.stderr
    assert float(level[1]) <= 2.0
    assert done.returncode == 0


def test_the_unit_is_understood_word_by_word(tmp_path: Path) -> None:
    """No unknown key, nothing that can't be: verified in a root folder in which its programs exist."""
    python = tmp_path / "opt/netaudit/current/bin/python"
    kill = tmp_path / "bin/kill"
    for program in (python, kill):
        program.parent.mkdir(parents=True, exist_ok=True)
        program.write_text("#!/bin/sh\n")
        program.chmod(0o755)
    units = tmp_path / "etc/systemd/system"
    units.mkdir(parents=True)
    shutil.copy(UNIT, units)
    # The units that every unit leans on.
    for folder in ("usr/lib/systemd/system", "lib/systemd/system"):
        if (Path("/") / folder / "sysinit.target").exists():
            shutil.copytree(Path("/") / folder, tmp_path / folder, symlinks=True, dirs_exist_ok=True)
    done = subprocess.run(
        [
            tool("systemd-analyze"),
            "verify",
            f"--root={tmp_path}",
            "--man=no",
            "--recursive-errors=no",
            "netaudit.service",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "netaudit" not in done.stderr


def test_an_unknown_key_is_noticed(tmp_path: Path) -> None:
    """The verification above can fail."""
    bad = tmp_path / "netaudit.service"
    bad.write_text(
        UNIT.read_text().replace("[Install]", "MemoryMost=1\n[Install]").replace("/opt/netaudit/current", "/nowhere")
    )
    done = subprocess.run(
        [tool("systemd-analyze"), "verify", "--man=no", str(bad)], capture_output=True, text=True, check=False
    )
    assert "MemoryMost" in done.stderr
    assert done.returncode != 0


def test_the_one_right_is_the_only_one() -> None:
    """Nothing but CAP_NET_RAW can be had, by the program or by what it starts."""
    text = UNIT.read_text()
    assert (
        re.findall(r"^(?:AmbientCapabilities|CapabilityBoundingSet)=(.*)$", text, re.MULTILINE) == ["CAP_NET_RAW"] * 2
    )
    for line in ("NoNewPrivileges=yes", "User=netaudit", "ProtectSystem=strict", "UMask=0077", "MemoryMax=256M"):
        assert f"\n{line}\n" in text


def test_alert_rules_are_right_and_fire_when_they_should() -> None:
    """Promtool reads them, and their tests hold: quiet when all is well, each fires in its case."""
    folder = DEPLOY / "prometheus"
    for words in (
        ["check", "rules", "alerts.yml"],
        ["test", "rules", "alerts_test.yml"],
        ["check", "config", "scrape.yml"],
    ):
        done = subprocess.run([tool("promtool"), *words], cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
    rules = re.findall(r"- alert: (\w+)", (folder / "alerts.yml").read_text())
    tested = (folder / "alerts_test.yml").read_text()
    for rule in rules:
        # Once in the case in which all is well, once in its own.
        assert tested.count(f"alertname: {rule}") >= 2, rule


def test_alert_rules_ask_for_metrics_that_there_are() -> None:
    """Each metric of a rule is in the reference, which is made from the program."""
    reference = (DEPLOY.parent / "docs" / "reference.md").read_text()
    for name in set(re.findall(r"\b(netaudit_\w+)(?=[{\[ )])", (DEPLOY / "prometheus" / "alerts.yml").read_text())):
        assert f"| `{name}` |" in reference, name


def test_the_container_is_as_the_unit() -> None:
    """The container runs the same words as another user than root, and its file copies only what exists."""
    text = (DEPLOY / "Containerfile").read_text()
    assert text.index("USER netaudit") < text.index("ENTRYPOINT")
    assert "cap_net_raw" in text
    for line in re.findall(r"^COPY (?!--from)(.+)$", text, re.MULTILINE):
        for name in line.split()[:-1]:
            assert (DEPLOY.parent / name).exists(), name
