"""What the shared captures hold for a decoder: frames without their link layer, datagrams without their headers."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from netaudit.errors import CaptureError
from netaudit.wire.capture import open_capture
from netaudit.wire.cooked import decode_cooked
from netaudit.wire.ethernet import decode_ethernet
from netaudit.wire.ipv4 import Ipv4, decode_ipv4
from netaudit.wire.ipv6 import Ipv6, decode_ipv6
from netaudit.wire.udp import decode_udp

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_LINKS = {1: decode_ethernet, 113: decode_cooked}


@dataclass(frozen=True, slots=True)
class Datagram:
    """One UDP datagram of a capture."""

    source_port: int
    target_port: int
    payload: bytes

    def on(self, *ports: int) -> bool:
        """Tell whether it came from or went to one of these ports."""
        return self.source_port in ports or self.target_port in ports


def truth(captures: Path) -> dict[str, dict[str, Any]]:
    """Give what a second and a third program read in each file."""
    files: dict[str, dict[str, Any]] = json.loads((captures / "ground_truth.json").read_text())["files"]
    return files


def frames(path: Path, *linktypes: int) -> Iterator[tuple[int, bytes, bool]]:
    """Give the frames of these link types, and whether each was cut when it was captured."""
    with path.open("rb") as stream:
        try:
            for _at_ns, length, frame, interface in open_capture(stream):
                if interface.linktype in linktypes:
                    yield interface.linktype, frame, len(frame) < length
        except CaptureError:
            return  # the one file of which no frame can be read


def ethertype_payloads(path: Path, ethertype: int) -> Iterator[bytes]:
    """Give what follows this EtherType, through tags and SNAP."""
    for linktype, frame, _cut in frames(path, *_LINKS):
        link = _LINKS[linktype](frame)
        if link is not None and link.ethertype == ethertype:
            yield link.payload


def datagrams(path: Path) -> Iterator[Datagram]:
    """Give the UDP datagrams over IPv4 and IPv6."""
    for linktype, frame, _cut in frames(path, *_LINKS):
        link = _LINKS[linktype](frame)
        packet: Ipv4 | Ipv6 | None = None
        if link is not None and link.ethertype == 0x0800:
            packet = decode_ipv4(link.payload)
        elif link is not None and link.ethertype == 0x86DD:
            packet = decode_ipv6(link.payload)
        if packet is None or packet.protocol != 17 or packet.fragment_offset:
            continue
        datagram = decode_udp(packet.payload)
        if datagram is not None:
            yield Datagram(datagram.source_port, datagram.target_port, datagram.payload)
