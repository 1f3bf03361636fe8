from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import ethernet
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable


@given(st.integers(64, 1522), st.sampled_from([1e7, 1e8, 1e9, 1e10]))
def test_a_full_line_is_full_whatever_its_frames(frame_bytes: int, rate_bps: float) -> None:
    """At the highest frame rate the line is busy to within one frame, while octets alone show less."""
    frames = ethernet.max_frame_rate(frame_bytes, rate_bps)
    busy = ethernet.line_utilisation(frames * frame_bytes, frames, 1.0, rate_bps)
    assert 1.0 - 8 * (frame_bytes + 20) / rate_bps <= busy <= 1.0
    assert ethernet.octet_utilisation(frames * frame_bytes, 1.0, rate_bps) < busy


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


def test_a_mean_packet_between_two_sizes_lies_between_them() -> None:
    """Payload efficiency rises with packet size for every transport."""
    for transport in ethernet.Transport:
        assert ethernet.goodput_share(transport, mtu_bytes=1500) > ethernet.goodput_share(transport, mtu_bytes=1280)


def test_what_no_line_carries_is_refused() -> None:
    """Short frames, rates of nothing and an MTU without room raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: ethernet.max_frame_rate(63, 1e9),
        lambda: ethernet.max_frame_rate(64, 0.0),
        lambda: ethernet.wire_bytes(-1.0),
        lambda: ethernet.wire_rate_bps(-1.0, 100.0),
        lambda: ethernet.goodput_share(ethernet.Transport.TCP_IPV6, mtu_bytes=60),
        lambda: ethernet.octet_utilisation(1.0, 0.0, 1e9),
        lambda: ethernet.serialisation_s(1.0, 0.0),
        lambda: ethernet.voice_rate_bps(160, 0.0),
        lambda: ethernet.oversubscription([1e9], 0.0),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
