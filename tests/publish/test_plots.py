from __future__ import annotations

from datetime import UTC, datetime, timedelta

from netaudit.publish.plots import delay_plot
from netaudit.publish.report_data import DelayPoint, DelaySeries
from netaudit.site.load import parse_site

BEGAN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
SITE = parse_site(
    '[site]\nname = "Weir Cottage"\ntime_zone = "UTC"\nlocale = "de"\n[segment.home]\nnetwork = "192.0.2.0/24"\n'
)


def series(*lost: int, asked: int = 1000) -> DelaySeries:
    """Give an hour for each number of lost echoes."""
    hours = [DelayPoint(BEGAN + timedelta(hours=at), asked, one, 0.001, 0.002) for at, one in enumerate(lost)]
    return DelaySeries("segment:home/gateway", tuple(hours), ())


def test_the_worst_hour_for_a_call_is_named() -> None:
    """The hour that lost most, in the site's own time and signs; 2 % lost costs seven of R 92 (G.107 eq. 7-29)."""
    said = delay_plot(series(0, 20, 0), SITE).call
    assert "2 März 2026 at 09:00. " in said
    assert "(satisfied; R 85 " in said
    # G.107 eq. B-1 and B-2 for R = 84.7, from tables of the normal distribution: (84.7 - 60) / 16 = 1.54, (45 - 84.7) / 16 = -2.48.
    assert "Of 100 users 94 would have called it good and 1 poor" in said
    assert "4,2 of at most 4,4" in said


def test_where_no_hour_says_so_nothing_is_said_of_calls() -> None:
    """An hour of ten echoes is too short for it, and none is none."""
    assert delay_plot(series(1, asked=10), SITE).call == ""
    assert delay_plot(series(), SITE).call == ""
