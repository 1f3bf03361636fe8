"""A polite rate: a token bucket that decides when the next frame may go."""

from __future__ import annotations

import asyncio

from netaudit.errors import OutOfRange

# What a sweep and the echo probes use unless told otherwise. On a 2.4 GHz radio that sends broadcasts at 1 Mb/s an ARP
# request of 64 octets takes 192 + 8 * 64 = 704 us (IEEE 802.11-2016, clause 15: long preamble), so 200 frames a second
# take 14 % of the airtime while the sweep lasts (1.3 s for a /24 without retries); at 6 Mb/s 118 us each, 2.4 %.
POLITE_HZ = 200.0
# 27 % of the smallest frames that a 100 Mb/s port carries in a second (148,809, IEEE 802.3), for laboratories. A plan can't
# ask for more than 2,000: those are 1.3 %, but would already take more than all airtime of a radio at 1 Mb/s.
FASTEST_HZ = 40_000.0
# One frame an hour is 4,096 hosts in half a year: slower is a mistake in the unit.
SLOWEST_HZ = 1 / 3600
# An event loop that was kept busy for 20 ms catches up with what it missed, and with no more.
BURST_S = 0.02
# Who waits at all waits at least so long, so that a quick pace sends some frames a wake-up instead of waking for each (a
# wake-up costs some ten times the frame). The polite pace with its 5 ms between frames isn't touched.
SLOT_S = 0.004


class Pace:
    """
    Tokens come in at `rate_hz`; each frame takes one; at most `BURST_S` worth of them (or one) can wait.

    The clock is the caller's: any that only goes forward [s].
    """

    __slots__ = ("_burst", "_rate_hz", "_since_s", "_tokens")

    def __init__(self, rate_hz: float, *, now_s: float) -> None:
        if not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
            raise OutOfRange(f"pace {rate_hz:g} frames/s: write {SLOWEST_HZ:.4f} to {FASTEST_HZ:g}")
        self._rate_hz = rate_hz
        self._burst = max(1.0, rate_hz * BURST_S)
        self._tokens = 1.0
        self._since_s = now_s

    def take(self, now_s: float) -> float:
        """Take one token and give 0.0; or, if there is none, take nothing and give how long to wait for it [s]."""
        self._tokens = min(self._burst, self._tokens + (now_s - self._since_s) * self._rate_hz)
        self._since_s = now_s
        # A billionth short is rounding, and waiting for it would take a whole slot.
        if self._tokens >= 1 - 1e-9:
            self._tokens -= 1
            return 0.0
        return max(SLOT_S, (1 - self._tokens) / self._rate_hz)

    async def turn(self) -> None:
        """Wait on the running loop until a frame may go, and take its token; the clock must be the loop's."""
        loop = asyncio.get_running_loop()
        while True:
            wait_s = self.take(loop.time())
            if wait_s == 0:
                return
            await asyncio.sleep(wait_s)
