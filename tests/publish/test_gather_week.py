"""A week as it is read from the store: what was new, what got tighter, whom the charts are of."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit import vocabulary
from netaudit.capacity.ledger import gather
from netaudit.observe.observation import How, Naming, Notice, Sample, Sighting
from netaudit.publish.reminders import PROOF_S
from netaudit.publish.report import render_report
from netaudit.publish.views import FindingView
from netaudit.publish.week import gather_week, presence_points
from netaudit.store.records import Interval
from netaudit.store.store import Store
from tests.publish.samples import CERTIFICATE, MONDAY, assert_self_contained, plan

if TYPE_CHECKING:
    from netaudit.publish.report_data import WeekReport

WEEK = timedelta(days=7)
HOUR = timedelta(hours=1)
DESK, LAMP = "02:00:5e:00:00:01", "02:00:5e:00:00:02"
SITE = plan(
    f"""[closet.c]
[switch.barn]
[device.desk]
kind = "desktop"
label = "the desk"
mac = ["{DESK}"]
"""
)
# By the plan of 8 ports, 90 % of which may be used: 7.2.
PORTS_BEFORE, PORTS_NOW = 3.0, 5.0


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> WeekReport:
    """Live through two weeks, of which the second begins on MONDAY, and read the second."""
    begins, end = MONDAY - WEEK, MONDAY + WEEK
    path = tmp_path_factory.mktemp("weeks") / "site.db"
    with Store.open(path, site=SITE.site.name, clock=lambda: end) as store:
        for hour in range(14 * 24):
            at = begins + hour * HOUR
            in_second = at >= MONDAY
            store.write((Sighting(at, "lan", DESK, "192.0.2.20", How.ARP),))
            if in_second and at - MONDAY >= timedelta(days=2):
                store.write((Sighting(at, "lan", LAMP, "192.0.2.21", How.ARP), Naming(at, LAMP, "lamp", How.DHCP)))
            store.write(
                (
                    Sample(at, f"device:{DESK}", vocabulary.RTT_S, None if hour % 100 == 99 else 0.002),
                    Sample(at, "switch:barn", vocabulary.PORTS_UP, PORTS_NOW if in_second else PORTS_BEFORE),
                    # A hundredth of what may be used is no news.
                    Sample(at, "router", vocabulary.ROUTED_BPS, 7e6 if in_second else 0.0),
                )
            )
            if hour % 24 == 23:
                store.flush(at)
                store.rollup(at)
        store.write((Notice(end - HOUR, "switch:barn", vocabulary.FIRMWARE, (("text", "1.0"),)),))
        store.flush(end)
        # An hour is rolled up once nothing can come late any more.
        store.rollup(end + 2 * HOUR)
        store.save_certificate(CERTIFICATE, end - timedelta(seconds=PROOF_S))
        evidence = {"cure": ""}
        store.save_finding(key="k", rule="missing", place="device:desk", text="silent", evidence=evidence, at=MONDAY)
        # Opened in the week, closed in the next one, before its report is written.
        store.save_finding(key="l", rule="slow", place="device:desk", text="slow", evidence=evidence, at=end - HOUR)
        store.close_finding("l", end + HOUR)
        return gather_week(SITE, gather(SITE), store, (MONDAY, end), end + 2 * HOUR)


def test_what_was_open_at_the_end_of_the_week_is_open_in_its_report(told: WeekReport) -> None:
    """A finding that was closed on Monday morning, before the report of the week was written, is in it, and open."""
    assert {finding.rule: finding.closed_at for finding in told.findings} == {"missing": None, "slow": None}


def test_a_device_first_seen_in_the_week_is_new(told: WeekReport) -> None:
    """The lamp came on the third day and bears the name that it gives itself; the desk was there before."""
    found = [(one.change, one.name, one.mac) for one in told.changes]
    assert found == [("missing", "the desk", ""), ("new", "lamp", LAMP)]
    assert {one.segment for one in told.changes} == {"lan"}


def test_what_got_tighter_is_what_rose_by_its_share(told: WeekReport) -> None:
    """Two ports more of 7.2 are told with both weeks' most; a hundredth more on the router is not."""
    assert [(one.line.place, one.before, one.now) for one in told.tighter] == [("switch:barn", PORTS_BEFORE, PORTS_NOW)]


def test_the_charts_are_of_things_by_name(told: WeekReport) -> None:
    """The desk's echoes are all of this week's, under the plan's name for it; two hours of the 168 were lost."""
    series = next(one for one in told.delays if one.place == f"device:{DESK}")
    assert series.name == "the desk"
    assert len(series.hourly) == 168
    assert sum(point.lost for point in series.hourly) == 2


def test_presence_counts_each_hour(told: WeekReport) -> None:
    """One device in the first two days, two from then on (an interval of presence reaches over its gaps)."""
    counts = [point.present for point in told.presence]
    assert len(counts) == 168
    assert set(counts[:47]) == {1}
    assert set(counts[49:-1]) == {2}


def test_before_the_watch_began_nobody_was_counted() -> None:
    """Hours before anybody was ever seen have no point, for a zero would say that nobody was there; later ones have."""
    began = MONDAY + timedelta(days=2, minutes=20)
    stay = Interval(DESK, "lan", began, began + HOUR)
    points = presence_points(SITE, [stay], MONDAY, MONDAY + timedelta(days=3), begun=began)
    assert [point.present for point in points] == [1, 1, *[0] * 22]
    assert points[0].at == MONDAY + timedelta(days=2)
    assert presence_points(SITE, [], MONDAY, MONDAY + timedelta(days=3), begun=None) == ()


def test_lines_with_a_past_have_an_outlook(told: WeekReport) -> None:
    """Fourteen days are too few to say; it is said how many there must be."""
    words = {one.line.place: one.forecast.words for one in told.outlooks}
    assert words["switch:barn"] == "too early to say: 14 of 28 days"


def test_an_old_proof_is_among_the_reminders(told: WeekReport) -> None:
    """The certificate of a year ago is old; firmware that was first heard this week is not."""
    assert told.reminders == ("The latest certificate is more than a year old. Prove the network again.",)


def test_the_week_renders(told: WeekReport) -> None:
    """What was read is a page."""
    assert "the desk" in assert_self_contained(render_report(told)).text


def test_the_pdf_has_the_charts_and_no_hidden_rows(told: WeekReport) -> None:
    """The same words on paper; the hour by hour stays out, and each chart is drawn (its axis names the days)."""
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed", exc_type=ImportError)
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    import io  # noqa: PLC0415 - of this test alone

    from netaudit.publish.pdf import to_pdf  # noqa: PLC0415 - needs the extra

    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(to_pdf(render_report(told)))).pages)
    assert "What got tighter" in text
    # Once in the table of days, and once on the axis of each of three charts and of the bars under one of them.
    assert text.count("Tue, 3 Mar") >= 4
    assert "Hour by hour" not in text
    # Who was there stands in figures on paper, where nobody can point at a curve.
    assert "Fewest and most in an hour" in text
    assert "Point at it" not in text
    assert "page 1 of" in text


def test_the_summary_is_one_page_on_paper_whatever_needs_doing(told: WeekReport) -> None:
    """A dozen things to do in long sentences, and what changed: all of it is on the first page, which nothing else pushes away."""
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed", exc_type=ImportError)
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    import io  # noqa: PLC0415 - of this test alone

    from netaudit.publish.pdf import to_pdf  # noqa: PLC0415 - needs the extra

    text, cure = (
        "More devices than the access points were bought for: access point hall (2.4 GHz)",
        "Move devices. " * 6,
    )
    many = tuple(FindingView("r", f"device:d{n}", f"{text} {n}", cure, MONDAY, None) for n in range(20))
    page = render_report(replace(told, findings=many))
    first = pypdf.PdfReader(io.BytesIO(to_pdf(page))).pages[0].extract_text()
    for said in ("20 things need doing", "(2.4 GHz) 11", "and 8 more below", "What changed", "things that can run out"):
        assert said in " ".join(first.split()), said
