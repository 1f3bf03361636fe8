"""A baseline is of a network that will soon be gone: what was written of it stays."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from netaudit.cli import main

if TYPE_CHECKING:
    import pytest

ROOT = Path(__file__).resolve().parents[2]


def test_a_baseline_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same call again is refused with what to do, before anybody looks, and the first one is untouched."""
    call = ["baseline", str(ROOT / "netaudit" / "demo" / "site.toml"), "spring", "--out", str(tmp_path)]
    assert main([*call, "--from", str(ROOT / "pcaps" / "wired.pcap")]) == 0
    first = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    capsys.readouterr()
    for again in ([], ["--from", str(ROOT / "pcaps" / "air.pcap")]):
        assert main([*call, *again]) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"netaudit baseline: {tmp_path / 'spring.baseline.json'}: is there already")
        assert said.count("\n") == 1
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == first
