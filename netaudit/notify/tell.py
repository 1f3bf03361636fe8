"""
From findings to letters: what opened or closed lately and was not told yet goes into the outbox.

What is owed is read from the store each time, not from what a judgement has just changed: a crash between the keeping of a
finding and its letter, a mute that runs out and a channel that was full are all mended by the next call. A letter's key
holds the finding's own and the moment it opened, so that no call tells anything twice.
"""

from __future__ import annotations

import logging
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.errors import StoreError
from netaudit.notify.words import closing, opening

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime, tzinfo

    from netaudit.notify.channel import Channel
    from netaudit.store.findings import Finding
    from netaudit.store.store import Store

log = logging.getLogger(__name__)

# What is older is no news to a channel that doesn't know it. The outbox remembers what was sent for a month, and this must
# stay well below that, or what was forgotten would be told again.
NEWS: Final = timedelta(days=7)
REMEMBERED: Final = timedelta(days=31)
SECOND: Final = timedelta(seconds=1)


class Teller:
    """
    Puts letters into the outbox.

    Args:      weight_of: how soon a person should look at findings of a rule ("now", "soon", "sometime"); named: writes a
               place for people; zone: the site's.
    """

    def __init__(
        self,
        store: Store,
        channels: Sequence[Channel],
        *,
        weight_of: Callable[[str], str],
        named: Callable[[str], str],
        zone: tzinfo,
    ) -> None:
        self._store = store
        self._channels = channels
        self._weight_of = weight_of
        self._named = named
        self._zone = zone
        self._full: set[str] = set()

    def tell(self, now: datetime) -> int:
        """
        Put in what is owed to each channel, in the order in which it happened; gives the letters put in.

        Raises:    StoreError: the findings can't be read. A channel that takes no more letters doesn't stop the others.
        """
        if not self._channels:
            return 0
        opened = [one for one in self._store.open_findings() if _is_news(one, now)]
        closed = self._store.closed_findings(now - NEWS, now + SECOND)
        if not opened and not closed:
            return 0
        return sum(self._fill(channel, opened, closed, now) for channel in self._channels)

    def _fill(self, channel: Channel, opened: Iterable[Finding], closed: Iterable[Finding], now: datetime) -> int:
        try:
            known = self._store.letter_keys(channel.name) | self._store.letter_keys(channel.digest_lane)
            owed = [(one.opened_at, False, one) for one in opened if _opening_key(one) not in known]
            for one in closed:
                told = _opening_key(one) in known or one.opened_at < now - REMEMBERED
                if told and _closing_key(one) not in known and one.closed_at and not one.muted(one.closed_at):
                    owed.append((one.closed_at, True, one))
            owed.sort(key=lambda row: row[:2])
            count = sum(self._put(channel, finding, over=over, now=now) for _, over, finding in owed)
        except StoreError as error:
            if channel.name not in self._full:
                self._full.add(channel.name)
                log.error("%s", error)  # noqa: TRY400 - the line says what to do; a traceback would not
            return 0
        self._full.discard(channel.name)
        return count

    def _put(self, channel: Channel, finding: Finding, *, over: bool, now: datetime) -> bool:
        weight = self._weight_of(finding.rule)
        lane = channel.lane(weight)
        if lane is None:
            return False
        where = self._named(finding.place)
        if over:
            body = closing(finding, site=self._store.site, where=where, zone=self._zone)
            key = _closing_key(finding)
        else:
            body = opening(finding, site=self._store.site, weight=weight, where=where, zone=self._zone)
            key = _opening_key(finding)
        return self._store.put_letter(key=key, channel=lane, body=body, at=now)


def _is_news(finding: Finding, now: datetime) -> bool:
    """Say whether an open finding is to be told: nobody has seen or muted it, and it is young or its mute ended lately."""
    if finding.acknowledged_at is not None or finding.muted(now):
        return False
    return max(finding.opened_at, finding.muted_until or finding.opened_at) > now - NEWS


def _opening_key(finding: Finding) -> str:
    return f"opened {int(finding.opened_at.timestamp())} {finding.key}"


def _closing_key(finding: Finding) -> str:
    return f"closed {int(finding.opened_at.timestamp())} {finding.key}"
