"""From the plan's tables to channels."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import get_args
from zoneinfo import ZoneInfo

import pytest

from netaudit.audit.judge import BROKEN
from netaudit.audit.rules.rule import Weight
from netaudit.audit.rules.table import RULES
from netaudit.daemon.channels import channels_of, weight_of
from netaudit.notify.channel import Variable
from netaudit.notify.quiet import Quiet
from netaudit.notify.words import URGENCY
from netaudit.site.load import parse_site
from netaudit.site.model import Alert

PLAN = """\
[site]
name = "x"
time_zone = "Europe/Madrid"
[segment.home]
network = "192.168.20.0/24"
"""
HERE = Path("plans")


def test_a_table_becomes_a_channel() -> None:
    """Variable, weights, quiet hours by the site's clock, digest; a file is looked for beside the plan."""
    text = """\
[alert.mail]
url_env = "MAIL"
from_weight = "sometime"
quiet = ["22:00", "07:00"]
digest = "1 d"
[alert.hook]
url_file = "hook.secret"
[alert.far]
url_file = "/etc/far"
from_weight = "now"
"""
    mail, hook, far = channels_of(parse_site(PLAN + text), HERE, {"MAIL": "x"})
    assert mail.where == Variable("MAIL", {"MAIL": "x"})
    assert mail.quiet == Quiet(time(22), time(7), ZoneInfo("Europe/Madrid"))
    assert (mail.digest, mail.lane("now"), mail.lane("sometime")) == (timedelta(days=1), "mail", "mail/digest")
    assert (hook.where, hook.quiet, hook.digest) == (HERE / "hook.secret", None, None)
    assert [hook.lane(weight) for weight in ("now", "soon", "sometime")] == ["hook", "hook", None]
    assert (far.where, far.lane("soon")) == (Path("/etc/far"), None)


@pytest.mark.parametrize("quiet", ["['22:00', '07:00']", "[22:00:00, 07:00:00]"])
def test_a_time_may_be_written_in_both_ways_of_toml(quiet: str) -> None:
    """As text, and as TOML's own local time."""
    (mail,) = channels_of(parse_site(f'{PLAN}[alert.mail]\nurl_env = "M"\nquiet = {quiet}\n'), HERE, {})
    assert mail.quiet is not None
    assert mail.quiet.until(datetime(2026, 1, 1, 21, tzinfo=UTC)) == datetime(2026, 1, 2, 6, tzinfo=UTC)


def test_plan_rules_and_words_know_the_same_weights() -> None:
    """What a rule may weigh, a plan may ask for, and a message can say."""
    weights = {weight.value for weight in Weight}
    assert set(get_args(Alert.model_fields["from_weight"].annotation)) == weights == set(URGENCY)
    assert {weight_of(rule.key) for rule in RULES} <= weights
    assert weight_of(BROKEN) == "now"
