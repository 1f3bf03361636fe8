"""The per-packet header: where the frame begins and what it is."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import dpkt
import pytest

from netaudit.wire.ppi import decode_ppi
from tests.wire.abuse import spoilt

if TYPE_CHECKING:
    from pathlib import Path


def header(flags: int | None, linktype: int = 105) -> bytes:
    """Write a header, with an 802.11 common field when flags are given."""
    field = b"" if flags is None else struct.pack("<HHQH10x", 2, 20, 0, flags)
    return struct.pack("<BBHI", 0, 0, 8 + len(field), linktype) + field


@pytest.mark.parametrize(
    ("flags", "fcs", "bad"), [(None, None, False), (0, False, False), (1, True, False), (5, True, True)]
)
def test_length_link_type_and_check_sequence_are_read(flags: int | None, fcs: bool | None, bad: bool) -> None:  # noqa: FBT001
    """The frame begins behind the header; the flags of the common field say whether a check sequence ends it."""
    data = header(flags) + b"frame"
    found = decode_ppi(data)
    assert found is not None
    assert data[found.length :] == b"frame"
    assert (found.linktype, found.fcs_at_end, found.bad_fcs) == (105, fcs, bad)


def test_another_program_finds_the_frame_at_the_same_place(captures: Path) -> None:
    """Each header of a real capture is as long as dpkt's reader leaves it, and names bare 802.11."""
    path = captures / "packetnet_80211_per_packet_information.pcap"
    with path.open("rb") as stream:
        frames = [bytes(frame) for _, frame in dpkt.pcap.Reader(stream)]
    assert len(frames) == 4
    for frame in frames:
        found = decode_ppi(frame)
        assert found is not None
        assert found.length == struct.unpack_from("<H", frame, 2)[0]
        assert found.linktype == 105


def test_no_cut_or_flip_raises() -> None:
    """Every cut and every flipped bit gives a header or None; a header never reaches beyond what was captured."""
    data = header(5) + b"frame"
    for bad in spoilt([data]):
        found = decode_ppi(bad)
        assert found is None or found.length <= len(bad)
