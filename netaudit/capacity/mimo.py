"""Several antennas: streams of one link, and what serving several clients at once can save."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netaudit.capacity.rates import Band, Phy

if TYPE_CHECKING:
    from collections.abc import Sequence

# Most receivers of one multi-user PPDU: IEEE 802.11-2020 21.3.11 (VHT: 4 users), 802.11ax-2021 27.3.3 (HE: 8).
_MOST_USERS = {Phy.VHT: 4, Phy.HE: 8, Phy.EHT: 8}


def link_streams(access_point: int, client: int) -> int:
    """Spatial streams of a link: the lesser of both ends."""
    return min(access_point, client)


@dataclass(frozen=True, slots=True)
class Receiver:
    """Clients that are alike: how many, the downlink airtime of one [share], its streams, whether it can share a PPDU."""

    count: float
    airtime: float
    streams: int
    multi_user: bool


def together(access_point: Phy, band: Band, streams: int, clients: Sequence[Receiver]) -> int:
    """
    Count the clients that one downlink PPDU can serve at once; 1 where multi-user MIMO gives nothing.

    It needs 802.11ac or newer, for 802.11ac the 5 GHz band, clients that can, more than one of them, and antennas enough
    for two.

    Source:    IEEE 802.11-2020 21.3.11 (downlink only; VHT exists in 5 GHz only), 802.11ax-2021 27.3.3.
    """
    able = [client for client in clients if client.multi_user and client.count > 0]
    if access_point not in _MOST_USERS or not able or sum(client.count for client in able) <= 1:
        return 1
    if access_point is Phy.VHT and band is not Band.GHZ_5:
        return 1
    fit = streams // min(client.streams for client in able)
    return max(1, min(_MOST_USERS[access_point], fit, int(sum(client.count for client in able))))


def downlink_saving(access_point: Phy, band: Band, streams: int, clients: Sequence[Receiver]) -> float:
    """
    Most airtime that multi-user MIMO can save in the downlink [share of the time]; 0 where it gives nothing.

    An upper bound: perfect grouping, no sounding. The ledger shows it and doesn't count on it.
    """
    users = together(access_point, band, streams, clients)
    able = [client for client in clients if client.multi_user and client.count > 0]
    if users == 1:
        return 0.0
    alone = sum(client.count * client.airtime for client in able)
    longest = max(client.airtime for client in able)
    return max(0.0, alone - max(longest, alone / users))
