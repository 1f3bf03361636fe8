"""Whose echoes count for what a network promises; the limits themselves are held in ../test_certificate.py."""

from __future__ import annotations

import random

import pytest

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Outcome
from netaudit.observe.observation import Sample
from netaudit.site.load import parse_site
from tests.audit.acceptance.house import PLAN, as_planned, edit, judged


@pytest.mark.parametrize(("kind", "failed"), [("plug", ["loss"]), ("sensor", [])])
def test_the_silence_of_a_sleeper_is_no_loss(kind: str, failed: list[str]) -> None:
    """Every other echo to three devices is lost: of plugs that is loss, of sensors that sleep it is their nature."""
    dice = random.Random(9)
    seen = edit(
        as_planned(),
        Sample,
        lambda one: one.place.startswith("device:02:") and one.kind == vocabulary.RTT_S and dice.random() < 0.5,
        value=None,
    )
    certificate = judged(seen, site=parse_site(PLAN.replace('kind = "plug"', f'kind = "{kind}"')))
    assert [result.key for result in certificate.results if result.outcome is Outcome.FAILED] == failed
