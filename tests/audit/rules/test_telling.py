from __future__ import annotations

from datetime import timedelta
from itertools import accumulate
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.rules.rule import Case, Mark
from netaudit.audit.rules.telling import ATTEMPTS, TELLING
from netaudit.audit.seen import LANES, see
from netaudit.notify.backoff import wait_after
from netaudit.notify.channel import Channel
from netaudit.site.load import parse_site
from netaudit.store.store import Store
from tests.audit.scene import NOW, PLAN

if TYPE_CHECKING:
    from pathlib import Path

SITE = parse_site(PLAN + '[alert.mail]\nurl_env = "MAIL"\n[alert.pager]\nurl_env = "PAGER"\n')


def marks(store: Store) -> list[tuple[str, Mark]]:
    case = Case(SITE, (), see(store, SITE, NOW), NOW)
    return [(one.place, one.mark) for one in TELLING.judge(case)]


@pytest.mark.parametrize("lane", ["mail", "mail/digest"])
def test_a_channel_that_fails_for_an_hour_is_found_and_one_that_works_again_is_not(tmp_path: Path, lane: str) -> None:
    """Waiting is nothing; a first failure is near; eight of them hold; a letter that went ends it."""
    with Store.open(str(tmp_path / "site.db"), site="Weir Cottage", clock=lambda: NOW) as store:
        store.put_letter(key="one", channel=lane, body="something", at=NOW - timedelta(hours=2))
        assert marks(store) == []
        (letter,) = store.queued_letters(lane)
        for number in range(1, ATTEMPTS + 1):
            store.letter_failed(letter.id, "refused", NOW + timedelta(minutes=5), NOW)
            assert marks(store) == [("alert:mail", Mark.HOLDS if number == ATTEMPTS else Mark.NEAR)]
        store.letter_sent(letter.id, NOW)
        assert marks(store) == []


def test_so_many_attempts_take_an_hour() -> None:
    """The waits between them, as delivering makes them, add up to more than an hour, and one fewer does not."""
    waits = list(accumulate((wait_after(number) for number in range(1, ATTEMPTS)), initial=timedelta(0)))
    assert waits[-2] < timedelta(hours=1) < waits[-1]


def test_the_lanes_are_those_that_telling_uses(tmp_path: Path) -> None:
    """A channel's letters are looked for under the names under which they are put in."""
    channel = Channel("mail", tmp_path, frozenset())
    assert [lane.format(channel.name) for lane in LANES] == [channel.name, channel.digest_lane]
