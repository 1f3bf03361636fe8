"""What a telephone call would have been like over a way that was measured by echoes."""

from __future__ import annotations

from typing import Final

from netaudit.capacity.voice import CODECS, Rating, mouth_to_ear_s, rate_call

# The codec that every telephone speaks; all of today conceal losses. common practice, no source
CODEC: Final = CODECS["G.711 with loss concealment"]
# A receiver waits for two packets of 20 ms at the least. common practice, no source
LEAST_BUFFER_S: Final = 0.040
# Of fewer echoes one lost one is a larger share of them than any hour's calls would have lost.
FEWEST: Final = 50


def rate_hour(*, asked: int, lost: int, p50_s: float | None, p95_s: float | None) -> Rating | None:
    """
    Rate the calls of an hour; None where too few echoes were sent or answered to say.

    Half the round trip is taken for one way. The receiver's buffer is as deep as the slowest of 20 packets but one asks.

    Args:      asked and lost echoes; p50_s and p95_s of the answers' round trips [s].
    Source:    ITU-T G.107 (06/2015); G.113 Appendix I.
    """
    if asked < FEWEST or p50_s is None or p95_s is None:
        return None
    delay_s = mouth_to_ear_s(
        CODEC, network_one_way_s=p50_s / 2, jitter_buffer_s=max(LEAST_BUFFER_S, (p95_s - p50_s) / 2)
    )
    return rate_call(one_way_s=delay_s, loss=lost / asked, ie=CODEC.ie, bpl=CODEC.bpl)
