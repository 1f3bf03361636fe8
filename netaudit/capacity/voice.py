"""
Voice quality by the E-model: from delay, loss and codec to a rating R and a mean opinion score, and back.

R starts near 93.2 for a perfect narrowband call and falls with echo, delay, coding and loss. What this program measures
(round trip, jitter, loss) becomes a mouth-to-ear delay by `mouth_to_ear_s`, which is the only estimate in the chain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from netaudit.errors import OutOfRange


@dataclass(frozen=True, slots=True)
class Terminal:
    """
    The telephones and the circuit between them; the defaults are those of ITU-T G.107 (06/2015) Table 3.

    Loudness ratings in dB (slr send, rlr receive, stmr and lstr sidetone, telr and wepl echo), d-factors ds and dr,
    noise nc [dBm0p] and nfor [dBmp], room noise ps and pr [dB(A)], qdu in quantising distortion units.
    """

    slr: float = 8.0
    rlr: float = 2.0
    stmr: float = 15.0
    lstr: float = 18.0
    ds: float = 3.0
    dr: float = 3.0
    telr: float = 65.0
    wepl: float = 110.0
    qdu: float = 1.0
    nc: float = -70.0
    nfor: float = -64.0
    ps: float = 35.0
    pr: float = 35.0


@dataclass(frozen=True, slots=True)
class Codec:
    """A codec: impairment Ie and loss robustness Bpl (ITU-T G.113 Appendix I), payload and its timing."""

    ie: float
    bpl: float
    payload_bytes: int
    packet_s: float
    frame_s: float
    look_ahead_s: float
    source: str


# Ie and Bpl: ITU-T G.113 Appendix I. Frame and look-ahead: the codec's own recommendation. Packets of 20 ms (30 ms for
# G.723.1) are common practice, no source. Bpl of G.729, and all of G.723.1 and GSM-EFR: from memory.
CODECS: dict[str, Codec] = {
    "G.711 with loss concealment": Codec(0, 25.1, 160, 0.020, 0.000125, 0.0, "G.113 Appendix I"),
    "G.711 without loss concealment": Codec(0, 4.3, 160, 0.020, 0.000125, 0.0, "G.113 Appendix I"),
    "G.729A + VAD": Codec(11, 19.0, 20, 0.020, 0.010, 0.005, "G.113 Appendix I"),
    "G.729 8 kb/s": Codec(10, 19.0, 20, 0.020, 0.010, 0.005, "G.113 Appendix I; Bpl from memory"),
    "G.723.1 6.3 kb/s + VAD": Codec(15, 16.1, 24, 0.030, 0.030, 0.0075, "G.113 Appendix I, from memory"),
    "GSM-EFR 12.2 kb/s": Codec(5, 10.0, 31, 0.020, 0.020, 0.0, "G.113 Appendix I, from memory"),
}

# Where each category begins: ITU-T G.109 and G.107 Table B.1.
CATEGORIES: tuple[tuple[float, str], ...] = (
    (90.0, "very satisfied"),
    (80.0, "satisfied"),
    (70.0, "some users dissatisfied"),
    (60.0, "many users dissatisfied"),
    (50.0, "nearly all users dissatisfied"),
)
NOT_RECOMMENDED = "not recommended"

DEFAULT_TERMINAL = Terminal()
_SIMPLE_BASE_R = 93.2  # G.107's default rating; the 2001 paper starts from 94.2 on the edition of its day


@dataclass(frozen=True, slots=True)
class Rating:
    """The parts of R: basic ratio ro, simultaneous, delay and equipment impairments, advantage; and R itself."""

    ro: float
    simultaneous: float
    delay: float
    equipment: float
    advantage: float

    @property
    def r(self) -> float:
        """The transmission rating, G.107 7.1 (no unit; may be below 0 or above 100)."""
        return self.ro - self.simultaneous - self.delay - self.equipment + self.advantage

    @property
    def mos(self) -> float:
        """The mean opinion score of this rating, 1 to 4.5."""
        return mos_of_r(self.r)


def rate_call(
    *,
    one_way_s: float = 0.0,
    loss: float = 0.0,
    ie: float = 0.0,
    bpl: float = 4.3,
    burst_ratio: float = 1.0,
    advantage: float = 0.0,
    terminal: Terminal = DEFAULT_TERMINAL,
) -> Rating:
    """
    Rate a narrowband call by the full E-model.

    Args:      one_way_s mouth to ear [s]; loss 0..1 of packets; ie, bpl of the codec; burst_ratio 1 = random loss.
    Raises:    OutOfRange: a negative delay, a loss outside 0..1, a burst ratio or bpl that isn't positive.
    Source:    ITU-T G.107 (06/2015) 7.1 to 7.5, with T = Ta and Tr = 2 Ta.
    """
    if not (math.isfinite(one_way_s) and one_way_s >= 0.0):
        raise OutOfRange(f"one-way delay of {one_way_s:g} s: write 0 or more")
    delay_ms = one_way_s * 1e3
    noise = _noise_dbm0p(terminal)
    ro = 15.0 - 1.5 * (terminal.slr + noise)
    sidetone = _sidetone_impairment(terminal, delay_ms)
    return Rating(
        ro=ro,
        simultaneous=_overall_loudness_impairment(terminal, noise) + sidetone + _quantising_impairment(terminal, ro),
        delay=_talker_echo(terminal, noise, delay_ms, sidetone)
        + _listener_echo(terminal, ro, delay_ms)
        + _pure_delay(delay_ms),
        equipment=equipment_impairment(loss=loss, ie=ie, bpl=bpl, burst_ratio=burst_ratio),
        advantage=advantage,
    )


def rate_call_simply(*, one_way_s: float, loss: float, ie: float, bpl: float, burst_ratio: float = 1.0) -> Rating:
    """
    Rate a call by the simplified E-model, which needs no telephone: R = 93.2 - Id - Ie,eff.

    Args:      as `rate_call`.
    Raises:    OutOfRange: as `rate_call`.
    Source:    Cole and Rosenbluth, Voice over IP performance monitoring, 2001, on the base of today's G.107.
    """
    if not (math.isfinite(one_way_s) and one_way_s >= 0.0):
        raise OutOfRange(f"one-way delay of {one_way_s:g} s: write 0 or more")
    delay_ms = one_way_s * 1e3
    delay = 0.024 * delay_ms + max(0.0, 0.11 * (delay_ms - 177.3))
    return Rating(
        ro=_SIMPLE_BASE_R,
        simultaneous=0.0,
        delay=delay,
        equipment=equipment_impairment(loss=loss, ie=ie, bpl=bpl, burst_ratio=burst_ratio),
        advantage=0.0,
    )


def equipment_impairment(*, loss: float, ie: float, bpl: float, burst_ratio: float = 1.0) -> float:
    """
    Effective equipment impairment Ie,eff.

    Args:      loss 0..1; ie, bpl of the codec; burst_ratio 1 = random loss, more = bursts.
    Raises:    OutOfRange: a loss outside 0..1, a burst ratio or bpl that isn't positive.
    Source:    ITU-T G.107 (06/2015) 7.5, eq. 7-29 (which takes the loss in percent).
    """
    if not 0.0 <= loss <= 1.0:
        raise OutOfRange(f"loss of {loss:g}: write a share from 0 to 1")
    if bpl <= 0.0 or burst_ratio <= 0.0:
        raise OutOfRange(f"Bpl {bpl:g}, burst ratio {burst_ratio:g}: both must be above 0")
    percent = loss * 100.0
    return ie + (95.0 - ie) * percent / (percent / burst_ratio + bpl)


def mos_of_r(r: float) -> float:
    """
    Mean opinion score of a rating, 1 to 4.5.

    Source:    ITU-T G.107 (06/2015) Annex B, eq. B-4; held at 1 below R = 6.5, where the cubic dips under it.
    """
    if r <= 0.0:
        return 1.0
    if r >= 100.0:
        return 4.5
    return max(1.0, 1.0 + 0.035 * r + r * (r - 60.0) * (100.0 - r) * 7e-6)


def r_of_mos(mos: float) -> float:
    """
    Rating of a mean opinion score: the inverse of `mos_of_r` on 6.5 <= R <= 100.

    Raises:    OutOfRange: the score is not between 1 and 4.5.
    Source:    ITU-T G.107 Appendix I.
    """
    if not 1.0 <= mos <= 4.5:
        raise OutOfRange(f"a mean opinion score of {mos:g}: write 1 to 4.5")
    x = 18566.0 - 6750.0 * mos
    y = 15.0 * math.sqrt(max(0.0, -903522.0 + 1113960.0 * mos - 202500.0 * mos * mos))
    r = 20.0 / 3.0 * (8.0 - math.sqrt(226.0) * math.cos(math.atan2(y, x) / 3.0 + math.pi / 3.0))
    return min(100.0, r)


def satisfaction(r: float) -> str:
    """
    Say how content users are with this rating.

    Source:    ITU-T G.109; G.107 Table B.1.
    """
    return next((words for least, words in CATEGORIES if r >= least), NOT_RECOMMENDED)


def good_or_better(r: float) -> float:
    """
    Share of users who call it good or better, 0..1.

    Source:    ITU-T G.107 Annex B, eq. B-1.
    """
    return _normal((r - 60.0) / 16.0)


def poor_or_worse(r: float) -> float:
    """
    Share of users who call it poor or worse, 0..1.

    Source:    ITU-T G.107 Annex B, eq. B-2.
    """
    return _normal((45.0 - r) / 16.0)


def mouth_to_ear_s(codec: Codec, *, network_one_way_s: float, jitter_buffer_s: float) -> float:
    """
    Mouth-to-ear delay: coder frame and look-ahead, filling a packet, the network, the jitter buffer [s].

    Args:      network_one_way_s, half the round trip where only that is known; jitter_buffer_s its depth.
    Raises:    OutOfRange: a negative delay.
    Source:    common practice, no source.
    """
    if network_one_way_s < 0.0 or jitter_buffer_s < 0.0:
        raise OutOfRange("a delay can't be negative")
    return codec.look_ahead_s + max(codec.packet_s, codec.frame_s) + network_one_way_s + jitter_buffer_s


def _normal(x: float) -> float:
    return 0.5 * (1.0 + math.erf(x / math.sqrt(2.0)))


def _norm(order: int, x: float) -> float:
    """Give (1 + x^order)^(1 / order), the rounded corner that the recommendation uses throughout."""
    return math.pow(1.0 + math.pow(x, order), 1.0 / order)


def _power_sum(*levels_db: float) -> float:
    return 10.0 * math.log10(sum(math.pow(10.0, level / 10.0) for level in levels_db))


def _noise_dbm0p(t: Terminal) -> float:
    """Sum of circuit, room and floor noise at the 0 dBr point, G.107 7.2 [dBm0p]."""
    olr = t.slr + t.rlr
    send_room = t.ps - t.slr - t.ds - 100.0 + 0.004 * (t.ps - olr - t.ds - 14.0) ** 2
    effective_pr = t.pr + 10.0 * math.log10(1.0 + 10.0 ** ((10.0 - t.lstr) / 10.0))
    receive_room = t.rlr - 121.0 + effective_pr + 0.008 * (effective_pr - 35.0) ** 2
    return _power_sum(t.nc, send_room, receive_room, t.nfor + t.rlr)


def _overall_loudness_impairment(t: Terminal, noise: float) -> float:
    """Iolr: too low an overall loudness rating, G.107 7.3.1."""
    x = t.slr + t.rlr + 0.2 * (64.0 + noise - t.rlr)
    return 20.0 * (_norm(8, x / 8.0) - x / 8.0)


def _sidetone_impairment(t: Terminal, delay_ms: float) -> float:
    """Ist: a sidetone that is not the best one, G.107 7.3.2."""
    s = -_power_sum(-t.stmr, -t.telr - 10.0 * math.log10(math.e) * delay_ms / 4.0)
    return (
        12.0 * _norm(8, (s - 13.0) / 6.0)
        - 28.0 * _norm(35, (s + 1.0) / 19.4)
        - 13.0 * _norm(13, (s - 3.0) / 33.0)
        + 29.0
    )


def _quantising_impairment(t: Terminal, ro: float) -> float:
    """Iq: quantising distortion, G.107 7.3.3."""
    q = 37.0 - 15.0 * math.log10(t.qdu)
    g = 1.07 + 0.258 * q + 0.0602 * q * q
    y = (ro - 100.0) / 15.0 + 46.0 / 8.4 - g / 9.0
    z = 46.0 / 30.0 - g / 40.0
    return 15.0 * math.log10(1.0 + 10.0**y + 10.0**z)


def _talker_echo(t: Terminal, noise: float, delay_ms: float, sidetone: float) -> float:
    """Idte: hearing oneself late, G.107 7.4, with its corrections for very low and very high sidetone ratings."""
    terv = t.telr - 40.0 * math.log10((1.0 + delay_ms / 10.0) / (1.0 + delay_ms / 150.0))
    terv += 6.0 * math.exp(-0.3 * delay_ms * delay_ms)
    if t.stmr < 9.0:
        terv += sidetone / 2.0
    gap = -1.5 * (noise - t.rlr) - (80.0 + 2.5 * (terv - 14.0))
    echo = (gap / 2.0 + math.sqrt(gap * gap / 4.0 + 100.0) - 1.0) * (1.0 - math.exp(-delay_ms))
    return math.hypot(echo, sidetone) if t.stmr > 20.0 else echo


def _listener_echo(t: Terminal, ro: float, delay_ms: float) -> float:
    """Idle: hearing the other side twice, G.107 7.4; the round trip in the four-wire loop is twice the one-way delay."""
    gap = ro - 10.5 * (t.wepl + 7.0) / math.sqrt(math.sqrt(2.0 * delay_ms + 1.0))
    return gap / 2.0 + math.sqrt(gap * gap / 4.0 + 169.0)


def _pure_delay(delay_ms: float) -> float:
    """Idd: waiting, from 100 ms on, G.107 7.4 eq. 7-27 with sT = 1 and mT = 100 ms."""
    if delay_ms <= 100.0:
        return 0.0
    x = math.log2(delay_ms / 100.0)
    return 25.0 * (_norm(6, x) - 3.0 * _norm(6, x / 3.0) + 2.0)
