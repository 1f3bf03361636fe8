from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.calibration import Calibration
from netaudit.audit.forecast import Forecast
from netaudit.audit.standing import Observed, Standing
from netaudit.capacity.line import Flaw, Hazard, Kind, State
from netaudit.publish.report import render_report
from netaudit.publish.report_data import DeviceChange, Drift, Outlook, WeekReport
from netaudit.publish.summary import MOST_TO_DO, summarise
from netaudit.publish.views import FindingView
from tests.publish.samples import MONDAY, NOW, Page, assert_self_contained, line, plan

if TYPE_CHECKING:
    from netaudit.site.model import Site


def test_a_full_week_is_self_contained_and_harmless(week: WeekReport) -> None:
    """With hostile names everywhere: nothing is loaded or run, nothing turns text around, every section is there."""
    page = render_report(week)
    read = assert_self_contained(page)
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f]", page)
    assert page.count("<style>") == 1
    for said in (
        "Something can break equipment or hurt someone.",
        "1 device is new",
        "1 device is missing, on network gadgets.",
        "snmp switch:bench does not answer",
        "gateway of network family",
        "7 days, still open",
        "9 days, still open",
        "7 hours",
    ):
        assert said in read.text, said


def test_the_first_week_without_a_measurement_is_a_report(demo_site: Site) -> None:
    """Everything may be empty; the report says so in words."""
    read = assert_self_contained(render_report(WeekReport(demo_site, MONDAY, NOW, NOW, ())))
    for said in (
        "The ledger has not been judged yet.",
        "No hour was kept yet.",
        "No echo was sent.",
        "None was open this week.",
        "The ledger has no lines yet.",
        "Nothing that was noticed.",
    ):
        assert said in read.text, said


def test_the_same_week_gives_the_same_bytes(week: WeekReport) -> None:
    """Rendering is pure."""
    assert render_report(week) == render_report(week)


def test_every_line_and_every_hour_is_in_a_table(week: WeekReport) -> None:
    """No figure is only in a picture: each ledger line, each day and each hour has its row."""
    page = render_report(week)
    rows = page.count('<tr><th scope="row">')
    kinds = len({standing.line.kind for standing in week.standings})
    radios = sum(standing.line.kind == "stations" for standing in week.standings)
    hours = sum(len(series.hourly) + len(series.daily) for series in week.delays)
    presence_days = 7
    tables = len(week.segments) + presence_days + hours + radios + len(week.standings)
    assert rows == tables
    assert page.count('<th colspan="7" scope="rowgroup">') == kinds


def test_open_findings_stand_above_settled_ones(week: WeekReport) -> None:
    """What still needs doing comes first, the oldest of it on top, even where a settled one is older."""
    old = FindingView("r", "router", "settled long ago", "", MONDAY - timedelta(days=30), MONDAY)
    new = FindingView("r", "router", "open since today", "", NOW, None)
    older = FindingView("r", "router", "open since Monday", "", MONDAY, None)
    text = Page(render_report(replace(week, findings=(old, new, older)))).text.rpartition(" Findings ")[2]
    places = [text.index(said) for said in ("Open since Monday", "Open since today", "Settled long ago")]
    assert places == sorted(places)


def test_times_are_those_of_the_site(week: WeekReport) -> None:
    """A week that begins at midnight UTC in Lisbon's winter begins at midnight there, and says the zone."""
    assert "Week from 2 Mar 2026, 00:00 WET to 9 Mar 2026, 00:00 WET" in Page(render_report(week)).text


def standing(planned: float) -> Standing:
    """Give a standing without observation."""
    return Standing(line(planned=planned), None)


HAZARD = Hazard("k", "router", "t", "c", "b")
OPEN = FindingView("r", "router", "t", "c", MONDAY, None)
QUIET = FindingView("r", "router", "t", "c", MONDAY, None, quiet=True)
CLOSED = FindingView("r", "router", "t", "c", MONDAY, NOW)

SENTENCES = [
    ((), (), (), (), State.UNMEASURED, "The ledger has not been judged yet."),
    ((1.0,), (), (), (), State.WITHIN, "The plan is sound. Nothing has been measured yet."),
    ((1.0, 9.0), (), (), (QUIET, CLOSED), State.TIGHT, "All works; 1 line has little left to grow."),
    ((1.0, 11.0), (), (), (), State.OVER, "1 thing needs doing."),
    ((1.0, 11.0), (), (Flaw("k", "router", "t", "c", "b"),), (OPEN,), State.OVER, "3 things need doing."),
    ((1.0,), (HAZARD,), (), (), State.OVER, "Something can break equipment or hurt someone. See to it first."),
]


@pytest.mark.parametrize(("planned", "hazards", "flaws", "findings", "state", "sentence"), SENTENCES)
def test_the_summary_says_how_things_are(  # noqa: PLR0917 - one case, one row
    planned: tuple[float, ...],
    hazards: tuple[Hazard, ...],
    flaws: tuple[Flaw, ...],
    findings: tuple[FindingView, ...],
    state: State,
    sentence: str,
) -> None:
    """One sentence for each way in which things can be; hazards before all else, quiet and closed findings don't count."""
    made = summarise(plan(""), [standing(one) for one in planned], hazards, flaws, findings)
    assert (made.state, made.sentence) == (state, sentence)


def test_commands_in_a_cure_are_code(week: WeekReport) -> None:
    """What stands between backticks is code on the first page and in the list of findings, and no backtick is shown."""
    found = replace(OPEN, cure="see `netaudit dimension`")
    page = render_report(replace(week, findings=(found,), hazards=(), flaws=()))
    assert page.count("see <code>netaudit dimension</code>") == 2
    assert "`" not in page.partition("<main")[2].partition("<svg")[0]


def test_one_trouble_is_told_once() -> None:
    """More in use than there is, beyond the plan, is a finding soon: the line says no more then, nor once it is acknowledged."""
    busy = Standing(line(planned=1.0, place="radio:hall/2.4"), Observed(11.0, None, NOW, "a test"))
    found = replace(OPEN, rule="outgrown", place="radio:hall/2.4")
    before, told, known = (
        summarise(plan(""), [busy], (), (), one) for one in ((), (found,), (replace(found, quiet=True),))
    )
    assert [len(one.to_do) for one in (before, told, known)] == [1, 1, 0]
    assert before.to_do[0].text == "Ports, hall, 2.4 GHz radio: needs 11\u00a0ports, has 10\u00a0ports."
    assert before.to_do[0].cure.startswith("What helps: ")
    assert known.sentence == "All is well, but for what is acknowledged or muted."
    # What another rule found there, and what the plan itself asks too much of, is another trouble.
    other = summarise(plan(""), [busy], (), (), (replace(found, rule="busy_air"),))
    assert other.sentence == "2 things need doing."
    planned = replace(busy, line=line(planned=11.0, place="radio:hall/2.4"))
    assert summarise(plan(""), [planned], (), (), (found,)).sentence == "2 things need doing."


def test_a_channel_does_not_repeat_its_radio() -> None:
    """The busiest radio of a channel is over: one thing to do, with or without the finding that tells it."""
    radio = replace(line(planned=11.0, place="radio:hall/2.4"), kind=Kind.AIRTIME)
    both = [Standing(one, None) for one in (radio, replace(radio, place="channel:2.4/1"))]
    (said,) = summarise(plan(""), both, (), (), ()).to_do
    assert "hall, 2.4 GHz radio" in said.text
    seen = [Standing(replace(one.line, planned=1.0), Observed(11.0, None, NOW, "a test")) for one in both]
    found = replace(OPEN, rule="busy_air", place="radio:hall/2.4")
    assert summarise(plan(""), seen, (), (), (found,)).sentence == "1 thing needs doing."


def test_a_thing_is_called_by_its_label_in_sentences_too() -> None:
    """What the plan calls Ada's is so called in what there is to do, by label and not by the plan's key."""
    site = plan('[closet.c]\n[switch.s]\n[device.d1]\nkind = "desktop"\nat = "c"\nlabel = "Ada\'s"\n')
    flaw = Flaw("no_port", "closet:c", "1 of device:d1 finds no port", "move device:d1", "the site plan")
    (said,) = summarise(site, [], [], [flaw], []).to_do
    assert (said.text, said.cure) == ("Closet c: 1 of Ada's finds no port.", "move Ada's")


def test_the_list_of_things_to_do_is_bounded_and_begins_with_hazards() -> None:
    """Hazards come first; what is beyond the most is counted."""
    made = summarise(plan(""), [], [HAZARD] * 2, [], [OPEN] * 20)
    assert [item.text.startswith("Hazard") for item in made.to_do] == [True] * 2 + [False] * (MOST_TO_DO - 2)
    assert made.more == 22 - MOST_TO_DO


def test_the_summary_comes_first_and_the_cautions_last(week: WeekReport) -> None:
    """What one reads first is how things are; what holds for all such figures stands at the end."""
    page = render_report(week)
    headings = re.findall(r"<h2[^>]*>(?:<svg.*?</svg>)?([^<]+)", page)
    assert headings[0].startswith("Something can break equipment")
    assert headings[-1] == "Cautions"


NEW = [
    ((("kettle", "gadgets"),), "1 device is new: kettle."),
    ((("kettle", "gadgets"), ("lamp", "family")), "2 devices are new: kettle, lamp."),
    ((("", "gadgets"),), "1 device is new, on network gadgets."),
    ((("", "gadgets"), ("", "gadgets")), "2 devices are new, all on network gadgets."),
    ((("", "gadgets"),) * 40 + (("", "family"),), "41 devices are new, most on network gadgets."),
    ((("", "gadgets"), ("", "family")), "2 devices are new, on 2 networks."),
    ((("", ""),), "1 device is new."),
]


@pytest.mark.parametrize(("devices", "said"), NEW, ids=[said for _, said in NEW])
def test_a_householder_reads_names_or_places_and_no_macs(
    week: WeekReport, devices: tuple[tuple[str, str], ...], said: str
) -> None:
    """A few names are said; of many or nameless devices where most of them are; never a MAC."""
    changes = tuple(DeviceChange("new", NOW, name, "02:00:5e:99:00:01", segment) for name, segment in devices)
    finding = FindingView(
        "unknown", "device:02:00:5e:99:00:01", "A stranger: 02:00:5e:99:00:01, 192.0.2.1", "", NOW, None
    )
    page = render_report(replace(week, changes=changes, findings=(finding,), hazards=()))
    summary = page.partition('<section class="verdict">')[2].partition("</section>")[0]
    read = Page(summary).text
    assert said in read
    assert "A stranger: 192.0.2.1." in read
    assert "02:00:5e" not in read


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ((14, 14), "Of 2 lines it is too early to say: that takes 28 days of watching, and there are 14."),
        ((9, 14, 60), "Of 2 lines it is too early to say: that takes 28 days of watching, and there are 9 to 14."),
        ((27,), "Of one line it is too early to say: that takes 28 days of watching, and there are 27."),
    ],
)
def test_lines_that_were_watched_for_too_short_are_counted_and_not_listed(
    week: WeekReport, days: tuple[int, ...], said: str
) -> None:
    """A row that says only that it is too early is none; what was watched for long enough keeps its row."""
    outlooks = tuple(Outlook(line(planned=5), Forecast(f"words of {count}", count)) for count in days)
    read = assert_self_contained(render_report(replace(week, outlooks=outlooks)))
    assert said in read.text
    assert [f"words of {count}" in read.text for count in days] == [count >= 28 for count in days]
    assert "Nothing has a past of whole days yet." not in read.text


def test_what_got_tighter_and_what_is_to_be_expected_are_told(week: WeekReport) -> None:
    """A drift, a forecast, a calibration and a reminder each have their row; the summary names the first two."""
    one = line(planned=5)
    calibration = Calibration("radio:hall/2.4", 60, 0.1, 0.1, None, None, "10 % more than predicted")
    ahead = Forecast("reaches its ceiling in 5 to 9 weeks", 60, NOW.date(), NOW.date(), 1.0)
    told = replace(
        week,
        tighter=(Drift(one, 3.0, 6.0),),
        outlooks=(Outlook(one, ahead), Outlook(one, Forecast("no trend in 60 days", 60))),
        calibrations=(calibration,),
        reminders=("Look at the battery.",),
    )
    read = assert_self_contained(render_report(told))
    assert "What got tightest: ports, switch pantry." in read.text
    assert "Ports, switch pantry: reaches its ceiling in 5 to 9 weeks." in read.text
    for said in ("switch pantry 3 6 8", "no trend in 60 days 60", "over 60 hours: 10 % more", "Look at the battery."):
        assert said in read.text, said
