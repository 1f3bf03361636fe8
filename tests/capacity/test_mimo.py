from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity.mimo import Receiver, downlink_saving, link_streams, together
from netaudit.capacity.rates import Band, Phy

PHONE = Receiver(3, 0.02, 1, multi_user=True)
OLD = Receiver(5, 0.02, 1, multi_user=False)
RECEIVERS = st.builds(Receiver, st.floats(0, 20), st.floats(0, 0.2), st.integers(1, 4), multi_user=st.booleans())


def test_a_link_has_the_streams_of_its_lesser_end() -> None:
    """A gadget with one antenna gets one stream from any access point."""
    assert link_streams(4, 1) == link_streams(1, 4) == 1
    assert link_streams(2, 2) == 2


# IEEE 802.11-2020 21.3.11: VHT multi-user PPDUs, downlink, up to four users; 802.11ax-2021 27.3.3 up to eight.
@pytest.mark.parametrize(
    ("phy", "band", "streams", "clients", "users"),
    [
        (Phy.VHT, Band.GHZ_5, 4, [PHONE], 3),
        (Phy.VHT, Band.GHZ_2_4, 4, [PHONE], 1),  # only 5 GHz
        (Phy.HT, Band.GHZ_5, 4, [PHONE], 1),  # 802.11n has none
        (Phy.VHT, Band.GHZ_5, 1, [PHONE], 1),  # antennas for one only
        (Phy.VHT, Band.GHZ_5, 4, [OLD], 1),  # clients that can't
        (Phy.VHT, Band.GHZ_5, 4, [Receiver(1, 0.02, 1, multi_user=True), OLD], 1),  # only one that can
        (Phy.VHT, Band.GHZ_5, 8, [Receiver(20, 0.01, 1, multi_user=True)], 4),
        (Phy.HE, Band.GHZ_5, 8, [Receiver(20, 0.01, 1, multi_user=True)], 8),
        (Phy.HE, Band.GHZ_2_4, 4, [Receiver(20, 0.01, 2, multi_user=True)], 2),
    ],
)
def test_serving_several_at_once_needs_all_of_it(
    phy: Phy, band: Band, streams: int, clients: list[Receiver], users: int
) -> None:
    """Standard, band, antennas, clients that can, and more than one of them; else it gives nothing."""
    assert together(phy, band, streams, clients) == users
    assert (downlink_saving(phy, band, streams, clients) > 0) is (users > 1)


@given(st.sampled_from(list(Phy)), st.sampled_from(list(Band)), st.integers(1, 8), st.lists(RECEIVERS, max_size=4))
def test_no_more_is_saved_than_is_sent(phy: Phy, band: Band, streams: int, clients: list[Receiver]) -> None:
    """The saving lies between nothing and all but the longest client's own time."""
    alone = sum(client.count * client.airtime for client in clients if client.multi_user)
    assert 0 <= downlink_saving(phy, band, streams, clients) <= alone


def test_three_equal_clients_in_one_ppdu() -> None:
    """Three clients of 2 % each in one go take 2 %: 4 % are saved at best."""
    assert downlink_saving(Phy.VHT, Band.GHZ_5, 4, [PHONE]) == pytest.approx(0.04)
