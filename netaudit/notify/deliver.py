"""
Delivering what is in the outbox: each channel in its order, a letter only after the one before it.

A letter is delivered at least once. It is marked as sent when the receiver has said that it has it; what ends the process
between the two (or a receiver whose yes is lost, or one of several recipients of an address that fails) makes it go once
more. It then carries the same mark in its last line. Without a failure nothing goes twice. A full disk doesn't repeat it:
what was sent and could not be marked is remembered, and marked before anything else is sent.

What waits, waits in the store, with its attempts and its next moment: a restart changes nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from netaudit.errors import AlertError
from netaudit.notify.address import read_address
from netaudit.notify.backoff import LONGEST, wait_after
from netaudit.notify.post import child_post
from netaudit.notify.words import enclose, gathered

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractAsyncContextManager
    from datetime import datetime, tzinfo

    from netaudit.notify.channel import Channel
    from netaudit.notify.post import Post
    from netaudit.store.outbox import Letter
    from netaudit.store.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")

# A way out may be broken over a holiday; later the message is history, and the weekly report tells it. Both must have
# passed, so that a clock that jumps doesn't give up what was hardly tried. common practice, no source
GIVE_UP_AFTER: Final = timedelta(days=14)
GIVE_UP_TRIES: Final = 24
# After so many failures (two hours) the next letter is tried too: if that one goes, the fault is the first one's own.
STUBBORN: Final = 10
# At each so-many-th failure (the first time after some four minutes) words are tried without their file: who delivers may lack
# the memory for it, or the receiver refuse it in words that we don't know. An alarm behind it waits no longer than that.
ALONE_EACH: Final = 4
# One digest is still read, and its text (20 * 1.8 kB) still taken by mail and web receivers.
LARGEST_DIGEST: Final = 20

OpenPost = Callable[[str], "AbstractAsyncContextManager[Post]"]


class OffLoop(Protocol):
    """Runs a function where the store may be waited for, and gives its result."""

    async def __call__(self, work: Callable[..., T], *args: object) -> T:
        """Run it."""


@dataclass(frozen=True, slots=True)
class Parcel:
    """What goes as one message: a letter, or what was gathered."""

    letters: tuple[Letter, ...]
    title: str
    body: str
    enclosure: str = ""


class Courier:
    """
    Delivers the outbox.

    Args:      zone: the site's; now: gives the aware present; off_loop: where the store is used; open_post: opens the way
               to an address.
    """

    def __init__(
        self,
        store: Store,
        channels: Sequence[Channel],
        *,
        zone: tzinfo,
        now: Callable[[], datetime],
        off_loop: OffLoop,
        open_post: OpenPost = child_post,
    ) -> None:
        self._store = store
        self._channels = channels
        self._zone = zone
        self._now = now
        self._off_loop = off_loop
        self._open_post = open_post
        self._unmarked: list[Letter] = []

    def begin(self) -> None:
        """
        Give up what waits for channels that the plan no longer has: it would wait for ever.

        Raises:    StoreError: the store can't be written.
        """
        lanes = [lane for channel in self._channels for lane in (channel.name, channel.digest_lane)]
        count = self._store.give_up_letters_except(lanes, self._now())
        if count:
            log.warning("%d messages waited for channels that are no longer in the plan and are given up", count)

    async def deliver(self) -> int:
        """
        Deliver all that is due; gives the number of letters delivered.

        Raises:    StoreError: the store can't be read or written; what was not delivered goes on waiting.
        """
        await self._off_loop(self._mark_sent)
        return sum([await self._serve(channel) for channel in self._channels])

    async def _serve(self, channel: Channel) -> int:
        """Deliver what is due through one channel, up to its first failure."""
        parcel = await self._off_loop(self.next_parcel, channel)
        if parcel is None:
            return 0
        count = 0
        try:
            async with self._open_post(read_address(channel)) as post:
                while parcel is not None:
                    trouble = await post.send(parcel.title, parcel.body, parcel.enclosure)
                    if trouble:
                        await self._failed(channel, parcel, trouble, post)
                        break
                    await self._sent(channel, parcel)
                    count += len(parcel.letters)
                    parcel = await self._off_loop(self.next_parcel, channel)
        except AlertError as error:
            if parcel is not None:
                await self._failed(channel, parcel, str(error), None)
        return count

    def next_parcel(self, channel: Channel) -> Parcel | None:
        """Give what goes next through a channel; None when nothing is due or the hours are quiet."""
        now = self._now()
        if channel.quiet is not None and channel.quiet.until(now) is not None:
            return None
        for letter in self._store.queued_letters(channel.name)[:1]:
            if _waits(letter, now):
                # The receiver of the digest is the same one, and not to be had at present.
                return None
            return self._single(letter, now)
        waiting = self._store.queued_letters(channel.digest_lane)[:LARGEST_DIGEST]
        if not waiting or _waits(waiting[0], now) or _is_young(waiting[0], channel.digest, now):
            return None
        return Parcel(tuple(waiting), *gathered(self._store.site, waiting, now, self._zone))

    def _single(self, letter: Letter, now: datetime) -> Parcel:
        body = enclose(self._store.site, letter, now, self._zone)
        return Parcel((letter,), letter.body.partition("\n")[0], body, letter.enclosure)

    async def _sent(self, channel: Channel, parcel: Parcel) -> None:
        self._unmarked += parcel.letters
        await self._off_loop(self._mark_sent)
        if parcel.letters[0].attempts:
            log.info("channel %s: works again after %d attempts", channel.name, parcel.letters[0].attempts)

    def _mark_sent(self) -> None:
        while self._unmarked:
            self._store.letter_sent(self._unmarked[0].id, self._now())
            del self._unmarked[0]

    async def _failed(self, channel: Channel, parcel: Parcel, trouble: str, post: Post | None) -> None:
        first = parcel.letters[0]
        if first.attempts == 0:
            log.warning("channel %s: not delivered, will be tried again: %s", channel.name, trouble)
        stubborn = post is not None and first.attempts >= STUBBORN and await self._next_goes(channel, first, post)
        if stubborn and post is not None:
            # The way may have come back between the two: then the first goes now, and is only late.
            trouble = await post.send(parcel.title, parcel.body, parcel.enclosure)
            if not trouble:
                await self._sent(channel, parcel)
                return
        to_try_alone = post is not None and bool(parcel.enclosure) and (first.attempts + 1) % ALONE_EACH == 0
        if to_try_alone and await self._goes_alone(channel, parcel):
            return
        await self._off_loop(self._mark_failed, channel, first, trouble, stubborn)

    async def _goes_alone(self, channel: Channel, parcel: Parcel) -> bool:
        """Try the words of a letter without its file, by a way of their own; say whether they were delivered."""
        try:
            async with self._open_post(read_address(channel)) as post:
                body = f"{parcel.body}\nNot attached: with the file it was not delivered"
                if await post.send(parcel.title, body):
                    return False
        except AlertError:
            return False
        await self._sent(channel, parcel)
        return True

    async def _next_goes(self, channel: Channel, first: Letter, post: Post) -> bool:
        """Try the letter after one that never goes; say whether it was delivered."""
        queue = await self._off_loop(self._store.queued_letters, channel.name)
        if len(queue) < 2 or queue[0].id != first.id:
            return False
        second = self._single(queue[1], self._now())
        if await post.send(second.title, second.body, second.enclosure):
            return False
        await self._sent(channel, second)
        return True

    def _mark_failed(self, channel: Channel, first: Letter, trouble: str, stubborn: bool) -> None:  # noqa: FBT001 - passed on by place
        now = self._now()
        old = now - first.made_at >= GIVE_UP_AFTER and first.attempts + 1 >= GIVE_UP_TRIES
        again_at = None if old or stubborn else now + wait_after(first.attempts + 1)
        self._store.letter_failed(first.id, trouble, again_at, now)
        if again_at is None:
            log.error("channel %s: gave up a message after %d attempts: %s", channel.name, first.attempts + 1, trouble)


def _waits(letter: Letter, now: datetime) -> bool:
    """Say whether a letter's next attempt is still to come; a moment beyond any wait of ours is a clock that was set."""
    return timedelta(0) < letter.due_at - now <= LONGEST


def _is_young(letter: Letter, digest: timedelta | None, now: datetime) -> bool:
    """Say whether a digest that begins with this letter goes on gathering; without a span, or with a clock set, not."""
    return digest is not None and timedelta(0) <= now - letter.made_at < digest
