"""From two readings to what was counted in between: the true number or none, whatever happened to the counter."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.observe.snmp.counters import (
    TICKS_ROUND,
    counted,
    line_rate_bps,
    most_frames,
    most_octets,
    ran_through,
    rounds,
)

BITS = st.sampled_from((32, 64))
SPEEDS = st.sampled_from((10e6, 100e6, 1e9, 2.5e9, 10e9))


@given(BITS, st.data(), SPEEDS, st.floats(1, 3600), st.floats(0, 1))
def test_what_was_carried_is_what_is_counted_or_nothing(
    bits: int, data: st.DataObject, speed_bps: float, elapsed_s: float, load: float
) -> None:
    """A counter that started anywhere and ran through gives exactly what passed, round its end or not, or None."""
    before = data.draw(st.integers(0, (1 << bits) - 1))
    passed = int(elapsed_s * speed_bps / 8 * load)
    now = (before + passed) % (1 << bits)
    found = counted(before, now, bits=bits, most=most_octets(elapsed_s, speed_bps))
    assert found in (passed, None)
    # It must tell wherever it can: one round of the counter is longer than anything the port could have carried.
    if most_octets(elapsed_s, speed_bps) < 1 << bits:
        assert found == passed


@given(BITS, st.data(), SPEEDS, st.floats(1, 3600))
def test_no_counter_makes_a_rate_above_the_line(
    bits: int, data: st.DataObject, speed_bps: float, elapsed_s: float
) -> None:
    """Whatever two numbers an agent gives, reset, made up or exchanged, the rate is at most a tenth over the port's speed."""
    before, now = (data.draw(st.integers(-1, 1 << bits)) for _ in range(2))
    found = counted(before, now, bits=bits, most=most_octets(elapsed_s, speed_bps))
    assert found is None or 0 <= found * 8 / elapsed_s <= speed_bps * 1.1 + 8 / elapsed_s


@given(st.integers(1, 1 << 63), st.data(), SPEEDS, st.floats(1, 3600))
def test_a_64_bit_counter_that_was_reset_says_nothing(
    before: int, data: st.DataObject, speed_bps: float, elapsed_s: float
) -> None:
    """A step back of a 64-bit counter is never a round: 2^64 octets take 4,600 years at 1 Gb/s."""
    now = data.draw(st.integers(0, before - 1))
    assert counted(before, now, bits=64, most=most_octets(elapsed_s, speed_bps)) is None


def test_a_32_bit_counter_of_a_full_gigabit_port_tells_for_half_a_minute() -> None:
    """RFC 2863, 3.1.6: 32-bit octet counters go round in 34 s at 1 Gb/s; after that they tell nothing."""
    full = int(30 * 1e9 / 8)
    assert counted(4_000_000_000, (4_000_000_000 + full) % 2**32, bits=32, most=most_octets(30, 1e9)) == full
    assert counted(0, 1000, bits=32, most=most_octets(35, 1e9)) is None


@given(st.integers(0, TICKS_ROUND - 1), st.floats(0.1, 86_400), st.floats(-1, 1))
def test_an_agent_that_ran_is_seen_to_run(before: int, elapsed_s: float, share: float) -> None:
    """Ticks that went on as our clock did, a few seconds off at most, and round 2^32 or not, are no restart."""
    now = round(before + elapsed_s * 100 + share * 4 * 100) % TICKS_ROUND
    assert ran_through(before, now, elapsed_s)


@given(st.integers(0, TICKS_ROUND - 1), st.floats(11, 86_400), st.data())
def test_a_restart_is_seen(before: int, elapsed_s: float, data: st.DataObject) -> None:
    """An agent that started anew in between has run for less than the time between, and so never as long as expected."""
    # Had it run for only some seconds before, the two could look alike; then hardly anything was counted either.
    ran_ticks = data.draw(st.integers(0, int(elapsed_s * 100) - 1))
    looks_alike = abs((before + elapsed_s * 100 - ran_ticks + TICKS_ROUND / 2) % TICKS_ROUND - TICKS_ROUND / 2)
    slack = (5 + 0.01 * elapsed_s) * 100
    assert ran_through(before, ran_ticks, elapsed_s) == (looks_alike <= slack)
    if before >= 2 * slack and before < TICKS_ROUND - 2 * 100 * 86_400:
        assert not ran_through(before, ran_ticks, elapsed_s)


def test_ticks_that_go_round_are_no_restart() -> None:
    """RFC 2578, 7.1.8: sysUpTime starts anew after 2^32 hundredths, 497 days; the time since the start goes on."""
    before = TICKS_ROUND - 3000
    assert ran_through(before, 3000, 60)
    assert rounds(before, 3000, 60, so_far=0) == 1
    assert rounds(3000, 9000, 60, so_far=1) == 1
    assert rounds(before, 3000, 90, so_far=1) == 0
    assert pytest.approx(497.1, abs=0.01) == TICKS_ROUND / 100 / 86_400


# RFC 2544, 20 / IEEE 802.3: frames a second of a full Ethernet line, shortest and longest frames without a tag.
FULL = [(64, 1e9, 1_488_095), (1518, 1e9, 81_274), (64, 100e6, 148_809)]


@pytest.mark.parametrize(("frame_bytes", "speed_bps", "frames_a_second"), FULL)
def test_a_full_line_is_full(frame_bytes: int, speed_bps: float, frames_a_second: int) -> None:
    """Octets and frames of a line at its limit give its speed, also with the shortest frames."""
    rate = line_rate_bps(60 * frames_a_second * frame_bytes, 60 * frames_a_second, 60)
    assert rate == pytest.approx(speed_bps, rel=1e-4)
    assert 60 * frames_a_second <= most_frames(60, speed_bps)
