"""One attempt of a source: what it saw, and how it went, also when it couldn't look at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.errors import NetauditError
from netaudit.observe.observation import Health

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable
    from datetime import datetime

    from netaudit.observe.observation import Observation


async def attempt(
    source: str, look: Callable[[], Awaitable[Iterable[Observation]]], *, now: Callable[[], datetime]
) -> tuple[Observation, ...]:
    """
    Take one look; the last observation is the source's health, bad with the reason when the look ended in one of our errors.

    A look that saw something and still had trouble gives its own Health, which then is the last word.
    """
    try:
        seen = tuple(await look())
    except NetauditError as error:
        return (Health(now(), source, good=False, reason=str(error)),)
    if any(isinstance(one, Health) and one.source == source for one in seen):
        return seen
    return (*seen, Health(now(), source, good=True, reason=""))
