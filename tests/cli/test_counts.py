"""Of one thing the commands speak as of one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from scapy.layers.l2 import ARP, Ether
from scapy.utils import wrpcap

from netaudit.cli import main

if TYPE_CHECKING:
    from pathlib import Path

# One of everything that is counted.
PLAN = """[site]
name = "Hut"
[segment.home]
network = "192.0.2.0/24"
[closet.c]
[room.r]
[switch.s]
closet = "c"
[access_point.a]
at = "r"
[drop.d]
starts = "c"
ends = "r"
feeds = "access_point:a"
[device.lamp]
kind = "light"
at = "r"
needs = "press its button"
mac = ["02:00:5e:00:53:01"]
"""
# A number of one before a word in the plural: not 192.0.2.1, 0.1, 11, or the 1 of "1 to 3 weeks".
ONE_OF_MANY = re.compile(r"(?<![\w.,:/%-])1 (?!of\b|to\b)\w+(?<![su])s\b(?! x)")


@pytest.mark.parametrize(
    "words",
    [
        ["check"],
        ["dimension"],
        ["census"],
        ["baseline", "spring", "--from"],
        ["cutover", "--plan", "--from"],
    ],
    ids=lambda words: words[0],
)
def test_one_thing_is_not_many(words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan with one of each and a capture of one frame: no "1 devices", "1 frames", "1 rooms"."""
    site, capture = tmp_path / "site.toml", tmp_path / "one.pcap"
    site.write_text(PLAN, encoding="utf-8")
    frame = Ether(src="02:00:5e:00:53:01", dst="ff:ff:ff:ff:ff:ff") / ARP(
        hwsrc="02:00:5e:00:53:01", psrc="192.0.2.9", pdst="192.0.2.1"
    )
    wrpcap(str(capture), [frame])
    name, *more = words
    out = ["--out", str(tmp_path)]
    if name == "cutover":
        assert main(["baseline", str(site), "spring", "--from", str(capture), *out]) == 0
        call = [name, str(site), *more, str(tmp_path / "spring.baseline.json")]
    elif name == "census":
        call = [name, str(capture), "--site", str(site)]
    else:
        call = [name, str(site), *more, *([str(capture), *out] if name == "baseline" else [])]
    assert main(call) in (0, 1)
    said = capsys.readouterr().out
    assert said
    assert not ONE_OF_MANY.findall(said), said
