"""The unit, its user and its folders, the alert rules, the container file: as far as their own tools can tell offline."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNIT = DEPLOY / "netaudit.service"
SHIP, TIMER = DEPLOY / "netaudit-ship.service", DEPLOY / "netaudit-ship.timer"


def tool(name: str) -> str:
    """Give a program of the system, or skip."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not on this machine")
    return found


@pytest.mark.parametrize("unit", [UNIT, SHIP], ids=lambda unit: unit.stem)
def test_a_unit_is_exposed_by_two_of_ten_at_most(unit: Path) -> None:
    """systemd-analyze's own sum over what a service could do, 10 for an ordinary one."""
    done = subprocess.run(
        [tool("systemd-analyze"), "security", "--offline=true", "--threshold=20", "--no-pager", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    level = re.search(rf"exposure level for {unit.name}: ([\d.]+)", done.stdout)
    assert level is not None, done.stdout + done.stderr
    assert float(level[1]) <= 2.0
    assert done.returncode == 0


def test_the_units_are_understood_word_by_word(tmp_path: Path) -> None:
    """No unknown key, nothing that can't be: verified in a root folder in which its programs exist."""
    python = tmp_path / "opt/netaudit/current/bin/python"
    kill = tmp_path / "bin/kill"
    for program in (python, kill):
        program.parent.mkdir(parents=True, exist_ok=True)
        program.write_text("#!/bin/sh\n")
        program.chmod(0o755)
    units = tmp_path / "etc/systemd/system"
    units.mkdir(parents=True)
    for unit in (UNIT, SHIP, TIMER):
        shutil.copy(unit, units)
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
            *(UNIT.name, SHIP.name, TIMER.name),
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


def test_shipping_has_no_right_at_all() -> None:
    """No capability, the same user, the same strictness; of sockets those of a connection only."""
    text = SHIP.read_text()
    assert "AmbientCapabilities" not in text
    for line in (
        "CapabilityBoundingSet=",
        "NoNewPrivileges=yes",
        "User=netaudit",
        "ProtectSystem=strict",
        "UMask=0077",
    ):
        assert f"\n{line}\n" in text
    assert "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6\n" in text


def test_a_box_ships_in_each_hour_at_a_minute_of_its_own() -> None:
    """The hours by systemd's own calendar; within each, a delay of up to an hour that stays the same from hour to hour."""
    text = TIMER.read_text()
    (calendar,) = re.findall(r"^OnCalendar=(.*)$", text, re.MULTILINE)
    done = subprocess.run(
        [tool("systemd-analyze"), "calendar", "--iterations=3", "--base-time=2026-03-09 10:30 UTC", calendar],
        env={"TZ": "UTC"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.findall(r"2026-03-09 (\d\d:\d\d:\d\d) UTC$", done.stdout, re.MULTILINE) == [
        "11:00:00",
        "12:00:00",
        "13:00:00",
    ]
    assert {"RandomizedDelaySec=1h", "FixedRandomDelay=yes"} <= set(text.splitlines())


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
