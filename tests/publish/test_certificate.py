"""The certificate on paper and screen: verdict, what to mend, every check, waivers, what was not tested, signatures."""

from __future__ import annotations

import io
from dataclasses import replace
from html import unescape

import pytest

from netaudit.audit.acceptance.certificate import Waiver, certify
from netaudit.audit.acceptance.check import Item, Outcome
from netaudit.audit.acceptance.checks.table import CHECKS
from netaudit.audit.acceptance.evidence import freeze
from netaudit.observe.observation import How, Naming, Notice, Sighting
from netaudit.publish.cautions import cautions_for
from netaudit.publish.certificate import render_certificate, sentence, where
from netaudit.publish.outcome import outcome_mark
from netaudit.publish.pdf import to_pdf
from tests.audit.acceptance.house import BEGAN, ENDED, GATE, as_planned, at, house, judged, notice, without


def test_a_page_says_verdict_cures_waivers_and_what_is_open() -> None:
    """A missing camera stands under what to mend, the waiver with its name, the untested under its heading."""
    seen = [
        one for one in without(as_planned(), GATE) if not (isinstance(one, Notice) and one.kind in ("restart", "alert"))
    ]
    certificate = certify(
        house(),
        freeze(seen, BEGAN, ENDED),
        plan_sha256="a" * 64,
        evidence_sha256="b" * 64,
        waivers=[Waiver("alerts", "mail comes next week", "R. Marsh")],
    )
    page = render_certificate(certificate, house())
    mend = page.split("What to mend")[1].split("Every check")[0]
    assert "press its button for ten seconds" in mend
    assert "R. Marsh: mail comes next week" in page.split("Waivers")[1].split("What was not tested")[0]
    open_ = page.split("What was not tested")[1].split("Cautions")[0]
    assert "nothing was switched off and on" in open_
    assert "Optional: --restart WHAT." in open_
    cautions = unescape(page.split("Cautions")[1].split("Signed")[0])
    assert all(said in cautions for said in cautions_for(house()))
    assert page.count("a" * 64) == page.count("b" * 64) == 1
    assert "Accepted by, date" in page
    for result in certificate.results:
        assert result.question.replace("'", "&#39;") in page


def test_commands_in_a_cure_are_code() -> None:
    """What to mend, and what would make a check testable, show what stands between backticks as code."""
    said = judged([])
    items = [
        Item("site", outcome, "seen", cure="see `netaudit dimension`")
        for outcome in (Outcome.FAILED, Outcome.NOT_TESTED)
    ]
    page = render_certificate(replace(said, results=(replace(said.results[0], items=tuple(items)),)), house())
    assert page.count("see <code>netaudit dimension</code>") == len(items)
    assert "`" not in page.partition("<main")[2]


def test_a_page_without_faults_has_nothing_to_mend() -> None:
    """When all passed there is no list of things to mend, and no waiver."""
    certificate = judged(as_planned())
    page = render_certificate(certificate, house())
    assert "What to mend" not in page
    assert sentence(certificate) == f"Nothing failed in {len(CHECKS)} checks"


def test_a_test_that_saw_nothing_accepts_nothing() -> None:
    """Without any evidence no check fails and none passes: that is no acceptance."""
    certificate = judged([])
    assert {result.outcome for result in certificate.results} == {Outcome.NOT_TESTED}
    assert not certificate.accepted
    assert sentence(certificate) == f"Not accepted: none of {len(certificate.results)} checks could be tested"


def test_hostile_words_from_the_wire_are_harmless() -> None:
    """A server's identifier, a MAC or a target that is HTML or turns the line arrives as text."""
    bad = "<script>x</script>\u202e"
    seen = [
        *as_planned(),
        Sighting(at(1), "home", bad, bad, How.ARP),
        Naming(at(1), bad, bad, How.ARP),
        notice("segment:home", "dhcp_server", server=bad, mac=bad, address=bad),
        notice("segment:things", "isolation_breach", segment="home", target=bad, by=bad),
    ]
    page = render_certificate(judged(seen), house())
    assert "<script>x" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;" in page


def test_places_are_named_for_people() -> None:
    """A pair of segments, an address and a port read as words."""
    assert where("segment:home->things", house()) == "network home to network things"
    assert where("address:192.0.2.9", house()) == "192.0.2.9"
    assert where("switch:loft/port:3", house()) == "switch loft, port 3"
    assert where("router/port:1", house()) == "the router, port 1"
    assert where("site", house()) == "the whole site"


def test_each_outcome_has_its_own_shape_and_word() -> None:
    """Four outcomes, four shapes, four words: none needs its colour."""
    marks = [str(outcome_mark(one)) for one in Outcome]
    assert len({mark.split('d="')[1].split('"')[0] + str("dash" in mark) for mark in marks}) == 4
    assert all(one.value in mark for one, mark in zip(Outcome, marks, strict=True))


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_pdf_says_what_the_page_says() -> None:
    """Printed, an independent reader finds the verdict, the question, the hash and the line to sign on."""
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed", exc_type=ImportError)
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    printed = to_pdf(render_certificate(judged(without(as_planned(), GATE)), house()))
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(printed)).pages]
    text = " ".join(" ".join(pages).split())
    for wanted in (
        f"Not accepted: 1 of {len(CHECKS)} checks failed",
        "Is everything there?",
        "Accepted by, date",
        "page 1 of",
    ):
        assert wanted in text
