"""
Contention: what a channel still carries when several stations always have something to send.

Bianchi's model of the distributed coordination function, for stations that are alike and for groups that differ in window,
frame length or both. The usual closed form of the attempt rate is singular at p = 1/2, which real sites pass; the sum
form used here is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from math import exp, log1p, prod
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Sequence

    from netaudit.capacity.airtime import Access, Exchange, Spacing

# Bisection halves an interval that starts below 1; after 60 steps it is narrower than a double can tell.
_STEPS = 60


@dataclass(frozen=True, slots=True)
class Backoff:
    """
    How a station waits its turn.

    window      slots of the first draw, CWmin + 1; doubled `stages` times at most
    late_slots  slots by which a station that collided comes later than the others: it waits for the answer that never comes
    freezes     DCF: a stopped counter goes on one slot after DIFS, so only who has just sent may use the slot at DIFS;
                False: EDCA, whose counter counts the busy slot itself, which is the model's own slot
    """

    window: int
    stages: int
    late_slots: float = 0.0
    freezes: bool = False

    def __post_init__(self) -> None:
        # Below four slots the fixed point need not be unique; the standard's smallest default is CWmin 3 (voice).
        if self.window < 4 or self.stages < 0 or self.late_slots < 0:
            raise OutOfRange(f"a contention window has 4 slots or more, and no negative doublings or delay, not {self}")

    @property
    def in_a_row(self) -> float:
        """Exchanges that follow each other when a turn is won: a draw of 0 after a success is used at once."""
        return self.window / (self.window - 1) if self.freezes else 1.0


def backoff(rules: Access, gaps: Spacing, *, preamble_us: float = 20.0) -> Backoff:
    """
    Turn CWmin and CWmax into a Backoff: 15 and 1023 are 16 slots, doubled six times.

    Args:      preamble_us of the answer that is waited for: 20 OFDM, 192 or 96 DSSS.
    Source:    ACK timeout = SIFS + slot + start of the answer (IEEE 802.11-2020 10.3.2.11); counters: 10.3.4.3, 10.23.2.4.
    """
    stages = ((rules.cw_max + 1) // (rules.cw_min + 1)).bit_length() - 1
    late_slots = (gaps.sifs_us + gaps.slot_us + preamble_us) / gaps.slot_us
    return Backoff(rules.cw_min + 1, stages, late_slots, freezes=not rules.qos)


def attempt_rate(p: float, rule: Backoff) -> float:
    """
    Chance that a station that always has a frame sends in a slot, when each attempt fails with chance p.

    Source:    Bianchi 2000 eq. (7) as a mean over stages: attempts / (attempts + slots waited); without lateness and
               freezing it is 2 / (1 + W + p W sum over i < m of (2p)^i).
    """
    first = (rule.window - 2) / 2 if rule.freezes else (rule.window - 1) / 2
    mean, weight = 0.0, 1 - p
    for stage in range(rule.stages):
        waited = (rule.window * 2**stage - 1) / 2 + rule.late_slots if stage else first
        mean += weight * (1 + waited)
        weight *= p
    last = (rule.window * 2**rule.stages - 1) / 2 + rule.late_slots if rule.stages else first
    return 1 / (mean + p**rule.stages * (1 + last))


@lru_cache(maxsize=4096)  # a plan has few window rules and a few hundred counts of stations
def fixed_point(stations: float, rule: Backoff) -> tuple[float, float]:
    """
    Solve the model for stations that are alike.

    Args:      stations how many always have a frame, 1 or more; may be a fraction (a group shared by radios).
    Returns:   attempt rate tau, chance of collision p.
    Raises:    OutOfRange: fewer than one station.
    Source:    Bianchi 2000 eq. (7) and (9), bisection on p.
    """
    if stations < 1:
        raise OutOfRange(f"contention needs one station or more, not {stations}")
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        p = (low + high) / 2
        # The right side falls when p rises, so there is one crossing.
        if p < 1 - (1 - attempt_rate(p, rule)) ** (stations - 1):
            low = p
        else:
            high = p
    p = (low + high) / 2 if stations > 1 else 0.0
    return attempt_rate(p, rule), p


@dataclass(frozen=True, slots=True)
class Sender:
    """
    Stations that are alike and always have a frame.

    count         how many (may be a fraction)
    rule          how they wait
    success_us    a successful exchange and the idle DIFS or AIFS that all wait after it
    collision_us  the same for a first frame that collides
    payload_bits  what one successful exchange delivers
    """

    count: float
    rule: Backoff
    success_us: float
    collision_us: float
    payload_bits: float


def sender(count: float, rule: Backoff, one: Exchange, ifs_us: float, payload_bits: float) -> Sender:
    """Make a Sender of an exchange; ifs_us is the DIFS or AIFS that everybody waits after it."""
    return Sender(count, rule, one.busy_us + ifs_us, one.collision_us + ifs_us, payload_bits)


@dataclass(frozen=True, slots=True)
class Saturated:
    """
    A channel on which everybody always has a frame; one entry a group, in the order given.

    successes_per_s   exchanges that succeed [1/s]
    collisions_per_s  collisions in which this group's frame is the longest [1/s]
    goodput_bps       payload delivered [bit/s]
    collision         chance that an attempt of this group collides
    """

    successes_per_s: tuple[float, ...]
    collisions_per_s: tuple[float, ...]
    goodput_bps: tuple[float, ...]
    collision: tuple[float, ...]


def saturate(senders: Sequence[Sender], slot_us: float) -> Saturated:
    """
    Solve Bianchi's model for groups that may differ in window, frame length and payload.

    Raises:    OutOfRange: nobody sends.
    Source:    Bianchi 2000 eq. (10) to (13); unequal stations share one chance of an idle slot, on which we bisect.
    """
    if not senders or sum(one.count for one in senders) < 1:
        raise OutOfRange("contention needs one station or more")
    taus, losses = _solve(senders)
    silent = [(1 - tau) ** one.count for tau, one in zip(taus, senders, strict=True)]
    idle = prod(silent)
    success = [one.count * tau / (1 - tau) * idle for tau, one in zip(taus, senders, strict=True)]
    # The longest frame decides how long a collision lasts: order the groups by it; the chance that nobody longer than
    # group k sends, less the same for the group before, is the chance that k is the longest on the air.
    order = sorted(range(len(senders)), key=lambda k: senders[k].collision_us)
    none_longer = list(accumulate((silent[k] for k in reversed(order)), initial=1.0, func=lambda a, b: a * b))[::-1]
    collided = [0.0] * len(senders)
    for place, k in enumerate(order):
        collided[k] = max(0.0, none_longer[place + 1] - none_longer[place] - success[k])
    mean_us = idle * slot_us
    for k, one in enumerate(senders):
        extra_us = slot_us if one.rule.freezes else 0.0  # the slot at DIFS, which the others can't use
        mean_us += success[k] * (one.success_us * one.rule.in_a_row + extra_us)
        mean_us += collided[k] * (one.collision_us + extra_us)
    won = [share * one.rule.in_a_row * 1e6 / mean_us for share, one in zip(success, senders, strict=True)]
    return Saturated(
        successes_per_s=tuple(won),
        collisions_per_s=tuple(share * 1e6 / mean_us for share in collided),
        goodput_bps=tuple(rate * one.payload_bits for rate, one in zip(won, senders, strict=True)),
        collision=tuple(losses),
    )


def _solve(senders: Sequence[Sender]) -> tuple[list[float], list[float]]:
    """Attempt rate and collision chance of each group."""
    rules = {one.rule for one in senders}
    if len(rules) == 1:
        tau, p = fixed_point(max(1.0, sum(one.count for one in senders)), rules.pop())
        return [tau] * len(senders), [p] * len(senders)
    low, high = 0.0, min(1 - attempt_rate(0.0, rule) for rule in rules)
    for _ in range(_STEPS):
        idle = (low + high) / 2
        taus = {rule: attempt_rate(_loss(idle, rule), rule) for rule in rules}
        # A likelier idle slot means fewer collisions, livelier stations and so a less likely idle slot: one crossing.
        if exp(sum(one.count * log1p(-taus[one.rule]) for one in senders)) > idle:
            low = idle
        else:
            high = idle
    losses = {rule: _loss((low + high) / 2, rule) for rule in rules}
    return [attempt_rate(losses[one.rule], one.rule) for one in senders], [losses[one.rule] for one in senders]


def _loss(idle: float, rule: Backoff) -> float:
    """Collision chance p of a group when a slot is idle with this chance: (1 - p)(1 - tau(p)) = idle."""
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        p = (low + high) / 2
        if (1 - p) * (1 - attempt_rate(p, rule)) > idle:
            low = p
        else:
            high = p
    return (low + high) / 2


def carried_share(senders: Sequence[Sender], slot_us: float, busy_us: Sequence[float]) -> float:
    """
    Share of the time that successful exchanges fill when everybody always has a frame: the airtime there is to share out.

    Args:      busy_us busy time of each group's successful exchange, without the wait after it.
    """
    solved = saturate(senders, slot_us)
    return sum(rate * busy for rate, busy in zip(solved.successes_per_s, busy_us, strict=True)) / 1e6
