from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import ethernet
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6), st.floats(1.0, 3000.0))
def test_streams_add(first: float, second: float, packet_bytes: float) -> None:
    """Two streams of the same packets take the line time of one with the packets of both."""
    parts = ethernet.wire_rate_bps(first, packet_bytes) + ethernet.wire_rate_bps(second, packet_bytes)
    assert ethernet.wire_rate_bps(first + second, packet_bytes) == pytest.approx(parts)


@given(st.floats(0.0, 9000.0), st.floats(0.0, 100.0))
def test_a_larger_packet_never_takes_less(packet_bytes: float, more: float) -> None:
    """Line time grows with the packet, across the padding and across each further frame."""
    assert ethernet.wire_rate_bps(1.0, packet_bytes + more) >= ethernet.wire_rate_bps(1.0, packet_bytes) - 1e-6


# IEEE 802.3: a packet of one octet is padded to a 64-octet frame; 8 + 12 octets of preamble and gap.
def test_small_packets_are_padded() -> None:
    """The smallest packet takes 84 octets of line time, a full one 1538, a tagged full one 1542."""
    assert ethernet.wire_bytes(1) == 84
    assert ethernet.wire_bytes(1500) == 1538
    assert ethernet.wire_bytes(1500, tagged=True) == 1542


def test_packets_above_the_mtu_go_as_frames() -> None:
    """3000 octets go as two full frames."""
    assert ethernet.wire_rate_bps(1.0, 3000.0) == 2 * 1538 * 8


def test_what_no_line_carries_is_refused() -> None:
    """Negative sizes and rates, and an uplink of nothing, raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: ethernet.wire_bytes(-1.0),
        lambda: ethernet.wire_rate_bps(-1.0, 100.0),
        lambda: ethernet.oversubscription([1e9], 0.0),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
