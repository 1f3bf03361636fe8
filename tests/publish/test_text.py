from __future__ import annotations

import math
import re
import unicodedata
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.audit.rules.rule import lasting
from netaudit.capacity.line import Kind
from netaudit.publish.text import (
    LONGEST_TEXT,
    clock,
    coded,
    day,
    figure,
    harmless,
    identity,
    kind_name,
    left,
    moment,
    number,
    place_name,
    place_page,
    quantity,
    span,
    told,
    unticked,
    without_macs,
)
from netaudit.site.model import Header, Site
from tests.publish.samples import plan

# SI Brochure, 9th edition, Table 7 (prefixes) and Table 8 (minute, hour, day); ISO 4217 for money; CLDR for the comma.
WRITTEN = [
    (2.5e9, "bit/s", "en", "2.5 Gb/s"),
    (34_000_000.0, "bit/s", "en", "34 Mb/s"),
    (0.0, "bit/s", "en", "0 b/s"),
    (0.0042, "s", "en", "4.2 ms"),
    (3.1e-5, "s", "en", "31 µs"),
    (21 * 86400.0, "s", "en", "21 days"),
    (8e12, "B", "en", "8 TB"),
    (8e12, "B", "de", "8 TB"),
    (1234.0, "W", "de_DE", "1,23 kW"),
    (0.345, "share of the time", "en", "34.5 %"),
    (12.0, "ports", "en", "12 ports"),
    (5200.0, "EUR", "en_GB", "€5,200.00"),
    (-3122.0, "EUR", "de_DE", "\u22123.122,00 €"),
    (math.inf, "B", "en", "no limit"),
    (math.nan, "B", "en", "–"),
    (-3.0, "ports", "en", "−3 ports"),
]


@pytest.mark.parametrize(("value", "unit", "locale", "written"), WRITTEN)
def test_a_value_is_written_in_the_unit_that_fits(value: float, unit: str, locale: str, written: str) -> None:
    """Each value comes out with the prefix, the decimal sign and the name that its unit and locale ask for."""
    assert quantity(value, unit, locale).replace("\u00a0", " ") == written


@given(st.floats(min_value=1e-6, max_value=1e15), st.sampled_from(["bit/s", "B", "W", "m", "share"]))
def test_writing_keeps_three_digits(value: float, unit: str) -> None:
    """What is written, read back with its prefix, is within half a unit of its third digit of the value."""
    said = quantity(value, unit).split("\u00a0")
    factors = {"G": 1e9, "M": 1e6, "k": 1e3, "T": 1e12, "m": 1e-3, "%": 1e-2}
    factor = factors.get(said[1][0], 1.0) if said[1] not in ("m", "B", "b/s", "W") else 1.0
    # The smallest prefixes (b/s, B, mW, m) have no finer unit below them; six decimals are then all that is written.
    assert float(said[0].replace(",", "")) * factor == pytest.approx(value, rel=0.0051, abs=1e-6)


def test_a_column_keeps_units_of_measure_and_drops_counted_things() -> None:
    """Under a heading that says what is counted, 12 ports is 12; watts and money keep their unit."""
    assert figure(12, "ports") == "12"
    assert figure(12, "W") == "12\u00a0W"
    assert figure(12, "EUR", "en_GB") == "€12.00"


def test_an_unknown_locale_does_not_stop_a_report() -> None:
    """A locale that does not exist is written as English."""
    assert number(1234.5, "xx_YY") == number(1234.5, "en")


@given(st.text(max_size=400))
def test_harmless_text_is_one_bounded_line_without_hidden_characters(text: str) -> None:
    """Whatever comes in: no control, format (but joiners), surrogate or separator character, and a bounded length."""
    made = harmless(text)
    assert len(made) <= LONGEST_TEXT
    assert all(
        unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") or char in "\u200c\u200d"
        for char in made
    )
    assert harmless(made) == made


def test_marks_can_not_be_heaped() -> None:
    """At most two marks stay on a letter, so that no name paints over the lines around it."""
    made = harmless("z" + "\u0301" * 50 + "o")
    assert made == "z\u0301\u0301o"


@given(st.text(max_size=60), st.text(max_size=60))
def test_different_names_have_different_ids(one: str, other: str) -> None:
    """The id of a reference is unique, and holds nothing that XML forbids."""
    assert (identity(one) == identity(other)) == (one == other)
    assert all(ord(char) >= 32 and not char.isspace() for char in identity(one))


PLACES = [
    ("router", "the router"),
    ("switch:pantry", "switch pantry"),
    ("switch:pantry/port:3", "switch pantry, port 3"),
    ("router/port:2", "the router, port 2"),
    ("radio:hall/2.4", "hall, 2.4 GHz radio"),
    ("channel:2.4/6", "channel 6 at 2.4 GHz"),
    ("link:switch/bench", "link to switch bench"),
    ("link:wan", "the line to the outside"),
    ("segment:family", "network family"),
    ("segment:family/gateway", "gateway of network family"),
    ("access_point:hall", "access point hall"),
    ("site:budget", "the whole site"),
    ("site", "the whole site"),
    ("device:02:00:5e:00:00:01", "a device without a name (02:00:5e:00:00:01)"),
    ("device:cameras/2", "device cameras 2"),
    ("something else", "something else"),
]


@pytest.mark.parametrize(("place", "said"), PLACES)
def test_a_place_is_named_for_people(demo_site: Site, place: str, said: str) -> None:
    """Each form of place that the ledger and the collectors use has words."""
    assert place_name(place, demo_site) == said


def test_every_kind_of_line_has_a_name() -> None:
    """No kind is shown by its word in the code."""
    assert len({kind_name(kind) for kind in Kind}) == len(Kind)


def test_moments_are_those_of_the_site() -> None:
    """Noon UTC in July is one o'clock in Lisbon, by summer time (IANA time zone database)."""
    header = Header(name="x", time_zone="Europe/Lisbon", locale="en_GB")
    assert moment(datetime(2026, 7, 1, 12, tzinfo=UTC), header) == "1 Jul 2026, 13:00 WEST"


def test_a_date_from_right_to_left_stays_apart_from_its_sentence() -> None:
    """It stands between the marks of Unicode's annex 9 that isolate it; others, and plain figures, have no such marks."""
    at = datetime(2026, 3, 16, 9, tzinfo=UTC)
    arabic, german = (Header(name="x", time_zone="Pacific/Chatham", locale=one) for one in ("ar_EG", "de_DE"))
    for write in (moment, day, clock):
        assert re.fullmatch("\u2068[^\u2068\u2069]+\u2069", write(at, arabic))
        assert not re.search("[\u2066-\u2069]", write(at, german))
    assert quantity(-12.5, "EGP", "ar_EG").strip("\u2068\u2069") != quantity(-12.5, "EGP", "ar_EG")
    assert quantity(-12.5, "W", "ar_EG") == "\u221212.5\u00a0W"


def test_the_year_is_that_of_the_site_and_may_be_left_out() -> None:
    """At half past eleven in the evening of the year's last day, UTC, it is New Year in Berlin."""
    header = Header(name="x", time_zone="Europe/Berlin", locale="en_GB")
    at = datetime(2026, 12, 31, 23, 30, tzinfo=UTC)
    assert (day(at, header), day(at, header, year=False)) == ("Fri, 1 Jan 2027", "Fri, 1 Jan")


def test_spans_are_said_in_one_unit() -> None:
    """The largest unit of which there are two says how long, rounded as the rules' own words are."""
    said = ["less than a minute", "1 minute", "2 minutes", "120 minutes", "2 hours", "24 hours", "47 hours", "3 days"]
    assert [span(s) for s in (5, 60, 120, 7199, 7200, 86400, 47 * 3600, 2.83 * 86400)] == said
    for hours in (3, 30, 68, 100, 300):
        assert span(hours * 3600).replace("hours", "h") == lasting(hours * 3600)


def test_of_what_is_counted_only_whole_ones_are_left() -> None:
    """9.4 ports are nine, 10.4 too many are eleven; watts, shares and no limit stay what they are."""
    assert [left(value, "ports") for value in (9.4, -10.4, 3.0, math.inf)] == ["9", "\u221211", "3", "no limit"]
    # 90 x 0.7 is 62.99999999999999 in binary: nothing is left of it, and nothing lacks.
    assert left(90 * 0.7 - 63, "ports") == "0"
    assert left(15.5, "W") == figure(15.5, "W")
    assert left(0.345, "share of the time", "de") == "34,5\u00a0%"


def test_a_place_leads_to_its_page(demo_site: Site) -> None:
    """A device without a name by its MAC, a network by its name; what has no page of its own leads nowhere."""
    assert place_page("device:02:00:5E:EE:00:01", demo_site) == "/devices/02:00:5e:ee:00:01"
    assert place_page("segment:gadgets", demo_site) == place_page("segment:gadgets/gateway", demo_site)
    assert place_page("segment:gadgets", demo_site) == "/networks/gadgets"
    for place in ("segment:none", "device:../x", "router", "segment:", "radio:hall/5", "switch:pantry/port:1"):
        assert place_page(place, demo_site) == "", place


NAMED = """
[switch.s]
mac = "02:00:5e:00:53:01"
[recorder.r]
disk = "1 TB"
address = "192.0.2.9"
[device.hub]
kind = "hub"
mac = ["02:00:5e:00:53:02"]
[device.cameras]
kind = "camera"
count = 3
mac = ["02:00:5e:00:53:03", "02:00:5e:00:53:04"]
address = "192.0.2.20"
[device.spares]
kind = "camera"
count = 2
"""
PAGES = [
    ("switch:s", "/devices/02:00:5e:00:53:01"),
    ("recorder:r", "/devices?search=192.0.2.9"),
    ("device:hub", "/devices/02:00:5e:00:53:02"),
    ("device:cameras/1", "/devices/02:00:5e:00:53:03"),
    ("device:cameras/2", "/devices/02:00:5e:00:53:04"),
    ("device:cameras/3", "/devices?search=192.0.2.22"),
    ("device:cameras/4", ""),
    ("device:cameras/0", ""),
    ("device:spares/1", ""),
    ("recorder:none", ""),
]


@pytest.mark.parametrize(("place", "page"), PAGES)
def test_who_the_plan_names_leads_to_its_page(place: str, page: str) -> None:
    """Each one of a group by its own MAC, else by its own address; who is only counted leads nowhere."""
    assert place_page(place, plan(NAMED)) == page


def test_what_is_between_backticks_is_code_on_a_page_and_bare_elsewhere() -> None:
    """Whoever wrote the sentence, no tag of theirs is one; a backtick alone stays what it is."""
    said = "see what `netaudit dimension` says, then `<b>` & it`s"
    assert coded(said) == "see what <code>netaudit dimension</code> says, then <code>&lt;b&gt;</code> &amp; it`s"
    assert unticked(said) == "see what netaudit dimension says, then <b> & it`s"


# CLDR 46: German writes 1.234,5, French (since 34) 1 234,5 with a narrow no-break space, English 1,234.5.
@pytest.mark.parametrize(
    ("locale", "thousands", "decimals"),
    [
        ("en_GB", "1,234", "58.5"),
        ("de", "1.234", "58,5"),
        ("fr", "1\u202f234", "58,5"),
        ("de_CH", "1\u2019234", "58.5"),
    ],
)
def test_figures_in_sentences_are_those_of_the_columns_beside_them(locale: str, thousands: str, decimals: str) -> None:
    """What the program says in a sentence of English has the site's signs, as the columns of numbers have."""
    said = "lacks 1,234 addresses; slowest: laptops at 58.5 Mb/s, 58.5 % of the time, 58.5 of 64, 58.5 times as much"
    assert told(said, locale) == said.replace("1,234", thousands).replace("58.5", decimals)
    assert number(1234, locale) == thousands
    assert number(58.5, locale) == decimals


@pytest.mark.parametrize(
    "name",
    [
        "IEEE 802.11-2020 9.3.3.2, 10.1.3",
        "hall, 2.4 GHz radio",
        "10.71.20.5 is used",
        "version 1.2 of it",
        "RFC 5227, 2.4: an",
        "clause 10.1 says",
        "week 2.4",
        "ports 1, 2, 3",
    ],
)
def test_what_only_looks_like_a_figure_stays(name: str) -> None:
    """Clauses, addresses, versions and names of bands are written as they are everywhere."""
    assert told(name, "de") == name


@pytest.mark.parametrize(
    ("said", "written"),
    [
        ("takes class 4; switch:s port 2 gives none", "takes class 4; switch s port 2 gives none"),
        ("2 of access_point:attic find no port.", "2 of access point attic find no port."),
        ("radio:attic/2.4: lacks, link:wan.", "attic, 2.4 GHz radio: lacks, the line to the outside."),
        ("segment:home/gateway; switch:hall/port:3", "gateway of network home; switch hall, port 3"),
        ("a link: slow; recorder: none", "a link: slow; recorder: none"),
        ("mac 02:00:5e:00:00:01, http://192.0.2.1:80/x", "mac 02:00:5e:00:00:01, http://192.0.2.1:80/x"),
    ],
)
def test_places_in_sentences_are_those_of_the_columns_beside_them(said: str, written: str) -> None:
    """A reference of the plan becomes the name that `place_name` gives it; what is none stays."""
    assert told(said) == written


def test_a_sentence_is_made_harmless_too() -> None:
    """The same bounds and characters as for any text."""
    assert told("x\u202ey" * 400, "de") == harmless("x\u202ey" * 400, 400)


@pytest.mark.parametrize(
    ("said", "left_over"),
    [
        (
            "Two devices use the address 192.0.2.9: 00:00:5e:00:53:01 and 00:00:5e:00:53:02; both will work badly",
            "Two devices use the address 192.0.2.9; both will work badly",
        ),
        (
            "A device that nobody knows (00:00:5e:00:53:01) is on network home",
            "A device that nobody knows is on network home",
        ),
        ("New: 00:00:5e:00:53:01, a clock", "New: a clock"),
        ("A stranger is on network home: 00:00:5e:00:53:01, no address", "A stranger is on network home"),
    ],
)
def test_a_sentence_stays_one_without_its_macs(said: str, left_over: str) -> None:
    """Where MACs are taken out for a householder, neither a colon nor an "and" stays behind."""
    assert without_macs(said) == left_over
