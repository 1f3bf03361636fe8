"""
Busy share: how much of a channel's time a load takes. Airtime adds, rates don't.

What is counted is what an access point announces in its BSS Load element: frames on the air and the SIFS gaps inside an
exchange, which virtual carrier sense keeps busy. So plan and observation compare like with like.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil
from typing import TYPE_CHECKING, NamedTuple

from netaudit.capacity.airtime import (
    ACK_BYTES,
    Channel,
    answer_mode,
    broadcast_us,
    exchange,
    frames_per_turn,
    mpdu_bytes,
    ppdu_us,
)
from netaudit.capacity.contention import Backoff, fixed_point

if TYPE_CHECKING:
    from netaudit.capacity.rates import Mode

# A beacon every 100 time units of 1024 us (IEEE 802.11-2020 9.4.1.3; the default everywhere: common practice, no source).
BEACON_PERIOD_S = 0.1024
# Octets of a beacon and of a probe response with today's elements (common practice, no source; 200 to 400 are seen).
BEACON_BYTES = 300
PROBE_REQUEST_BYTES = 100  # common practice, no source
# A station that is connected looks around this often (common practice, no source: once in two minutes).
SCAN_PERIOD_S = 120.0
# Packet of a broadcast or multicast, network header included: between ARP (28) and an mDNS answer (400); common practice.
GROUP_PACKET_BYTES = 200
# Frames that come within this time share one turn of the sender (common practice, no source: a few service periods).
GATHER_S = 0.01
# Longest packet that goes into one frame (IEEE 802.11-2020 Table 9-25: an MSDU has 2304 octets, LLC/SNAP takes 8).
LARGEST_PACKET_BYTES = 2296


# Beyond this the queue has no steady length, and the channel is over its supply whatever collisions add.
FULLEST = 0.95


class Load(NamedTuple):
    """What some frames take of a channel: busy share, and turns (accesses) a second."""

    share: float
    turns_per_s: float


NO_LOAD = Load(0.0, 0.0)


@lru_cache(maxsize=65_536)  # one a profile, direction and mode: work is per kind of load, not per device
def unicast(
    frames_per_s: float,
    packet_bytes: float,
    mode: Mode,
    channel: Channel,
    *,
    txop_us: float = 0.0,
    frames_lost: float = 0.0,
) -> Load:
    """
    Load of one station's frames in one direction.

    Frames that come close together share a turn as far as the PHY's limits let them; a sender below 1 / GATHER_S frames
    a second sends one by one. More frames, longer frames and slower modes never cost less.

    Args:      packet_bytes mean packet, network header included; txop_us longest turn, 0 for none; frames_lost share of
               attempts that are lost to noise and sent again, 0 up to below 1.
    """
    if frames_per_s <= 0:
        return NO_LOAD
    pieces = max(1, ceil(packet_bytes / LARGEST_PACKET_BYTES))
    rate = frames_per_s * pieces
    frame_bytes = mpdu_bytes(ceil(packet_bytes / pieces), qos=not mode.is_dsss)
    most = frames_per_turn(mode, frame_bytes, channel.band, txop_us=txop_us)
    turns_per_s = max(min(rate, 1 / GATHER_S), rate / most)
    turn_us = _turn_us(mode, frame_bytes, channel, rate / turns_per_s)
    turns_per_s /= 1 - frames_lost
    return Load(turns_per_s * turn_us / 1e6, turns_per_s)


def _turn_us(mode: Mode, frame_bytes: int, channel: Channel, frames: float) -> float:
    """Busy time of a turn of `frames` frames on average: between whole numbers, a straight line."""
    whole = int(frames + 1e-9)
    fewer_us = exchange(mode, frame_bytes, channel, frames=whole).busy_us
    if frames - whole < 1e-9:
        return fewer_us
    more_us = exchange(mode, frame_bytes, channel, frames=whole + 1).busy_us
    return fewer_us + (frames - whole) * (more_us - fewer_us)


def beacon_share(names: int, channel: Channel) -> float:
    """Busy share of the beacons of one radio that announces this many network names: each has its own beacons."""
    return names * broadcast_us(BEACON_BYTES, channel) / 1e6 / BEACON_PERIOD_S


def group_share(frames_per_s: float, channel: Channel) -> float:
    """Busy share of broadcasts and multicasts, which a radio sends at its lowest basic rate to all at once."""
    return frames_per_s * broadcast_us(mpdu_bytes(GROUP_PACKET_BYTES), channel) / 1e6


def request_share(stations: float, channel: Channel) -> float:
    """Busy share of the probe requests of stations that look around."""
    return stations * broadcast_us(PROBE_REQUEST_BYTES, channel) / 1e6 / SCAN_PERIOD_S


def response_share(stations: float, names: int, channel: Channel) -> float:
    """Busy share of one radio's probe responses to them: one for each network name, each with its ACK."""
    mode, band, short = channel.lowest, channel.band, channel.short_preamble
    answer_us = ppdu_us(answer_mode(mode, channel.basic_mbps), ACK_BYTES, band, short_preamble=short)
    one_us = ppdu_us(mode, BEACON_BYTES, band, short_preamble=short) + channel.spacing.sifs_us + answer_us
    return stations * names * one_us / 1e6 / SCAN_PERIOD_S


def contenders(total: float, squares: float) -> float:
    """
    Count the stations that matter for contention: those that send little weigh little.

    It is the number of equal stations whose loads would have the same sum and the same sum of squares; three televisions
    and a hundred plugs are about three. Never fewer than one.

    Args:      total, squares sums of the stations' loads and of their squares.
    """
    return max(1.0, total * total / squares) if squares > 0 else 1.0


def repeated_share(load: float, turns_per_s: float, wait_us: float, stations: float, rule: Backoff) -> float:
    """
    Busy share of frames that collide and are sent again, on a channel that is not saturated.

    A frame meets those that waited while the channel was taken; how many is the mean queue of a server with random
    arrivals and constant service; with that many contenders Bianchi's model says how often they collide. Two frames share
    each collision.

    Args:      load busy share without collisions; turns_per_s exchanges a second in it; wait_us the idle time that all
               wait after each; stations how many there are at most.
    Source:    queue: Pollaczek-Khinchine, M/D/1; Bianchi 2000.
    """
    taken = min(load + turns_per_s * wait_us / 1e6, FULLEST)
    waiting = min(max(0.0, stations - 1), taken * taken / (2 * (1 - taken)))
    # In steps of 1/16 contender, so that a large plan solves the model a few dozen times, not hundreds.
    _, p = fixed_point(1 + round(16 * waiting) / 16, rule)
    return load * p / (1 - p) / 2
