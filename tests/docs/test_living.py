"""What the chapter about living with it advises is enough for what it is advised for."""

from __future__ import annotations

import json
import re
import struct
from pathlib import Path
from typing import TYPE_CHECKING

from netaudit.cli import main

if TYPE_CHECKING:
    import pytest

ROOT = Path(__file__).resolve().parents[2]


def cut(capture: bytes, octets: int) -> bytes:
    """Keep the first octets of each frame of a little-endian pcap file, as a capture program does that is told so."""
    kept = bytearray(capture[:24])
    at = 24
    while at < len(capture):
        seconds, fraction, captured, length = struct.unpack_from("<4I", capture, at)
        frame = capture[at + 16 : at + 16 + captured]
        kept += struct.pack("<4I", seconds, fraction, min(captured, octets), length) + frame[:octets]
        at += 16 + captured
    return bytes(kept)


def heard(capture: bytes, folder: Path, capsys: pytest.CaptureFixture[str]) -> object:
    """Give the devices that a census tells of, with all their names, addresses and kinds."""
    path = folder / "cut.pcap"
    path.write_bytes(capture)
    main(["census", str(path), "--site", str(ROOT / "netaudit/demo/site.toml"), "--json"])
    return json.loads(capsys.readouterr().out)["devices"]


def test_so_many_octets_of_a_frame_are_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The census tells the same of each device as from whole frames; from the fewer that are said to be too few it does not."""
    chapter = (ROOT / "docs" / "living.md").read_text("utf-8")
    (enough,) = re.findall(r"the first (\d+) octets of each frame", chapter)
    (too_few,) = re.findall(r"at (\d+) the names and servers that DHCP tells are gone", chapter)
    whole = (ROOT / "pcaps" / "wired.pcap").read_bytes()
    assert cut(whole, 65_535) == whole
    told = heard(whole, tmp_path, capsys)
    assert heard(cut(whole, int(enough)), tmp_path, capsys) == told
    assert heard(cut(whole, int(too_few)), tmp_path, capsys) != told
