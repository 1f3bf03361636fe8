"""What all packet sockets share: the kernel's stamp among what else comes with a frame."""

from __future__ import annotations

import struct

from netaudit.wire.packet import stamp_of


def test_ancillary_data_without_a_stamp_is_none() -> None:
    """Other kinds, other levels and cut data are no stamps."""
    assert stamp_of([]) is None
    assert stamp_of([(1, 29, bytes(16)), (0, 35, bytes(16)), (1, 35, bytes(4))]) is None


def test_the_stamp_is_seconds_and_nanoseconds() -> None:
    """Level 1 (SOL_SOCKET), kind 35 (SO_TIMESTAMPNS) of asm-generic/socket.h: a struct timespec."""
    assert stamp_of([(1, 29, bytes(16)), (1, 35, struct.pack("@ll", 1_700_000_000, 5))]) == 1_700_000_000_000_000_005
