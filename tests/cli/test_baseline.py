"""A baseline is of a network that will soon be gone: what was written of it stays, and nobody looks in vain."""

from __future__ import annotations

from pathlib import Path

import pytest

from netaudit.cli import main

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


@pytest.mark.parametrize("words", [["baseline", "SITE", "spring"], ["accept", "SITE"]])
def test_a_look_that_is_refused_is_not_announced(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A time that is too long gets one line, the refusal: not first how long the look will last."""
    site = str(ROOT / "netaudit" / "demo" / "site.toml")
    call = [site if word == "SITE" else word for word in words]
    assert main([*call, "--for", "9d", "--out", str(tmp_path)]) == 2
    assert capsys.readouterr().err == f"netaudit {words[0]}: looking for 777600 s: write 1 s to 7 days\n"


@pytest.mark.parametrize("words", [["baseline", "SITE", "spring"], ["accept", "SITE"]])
def test_a_folder_that_can_not_be_had_is_told_before_the_look(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the result could not be written nobody looks for a day first."""

    async def look(*_: object, **__: object) -> None:
        raise AssertionError("it looked")

    monkeypatch.setattr("netaudit.daemon.collect.collect", look)
    (tmp_path / "taken").write_text("")
    site = str(ROOT / "netaudit" / "demo" / "site.toml")
    assert main([*(site if word == "SITE" else word for word in words), "--out", str(tmp_path / "taken")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "taken: can't be written: Not a directory; name another folder with --out" in said
