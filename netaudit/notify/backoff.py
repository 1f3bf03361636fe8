"""When to try again what could not be delivered."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

# Soon after a short break, and never more than twenty-four times a day at a receiver that is gone; an hour is as long as
# anybody should wait once the way out is back. common practice, no source
FIRST: Final = timedelta(seconds=30)
LONGEST: Final = timedelta(hours=1)


def wait_after(failures: int) -> timedelta:
    """Give the wait after so many failures in a row, 1 or more: doubled each time up to an hour."""
    # 30 s doubled seven times is over an hour; the bound keeps the power small after a year of failures.
    return min(FIRST * (1 << min(max(failures, 1) - 1, 7)), LONGEST)
