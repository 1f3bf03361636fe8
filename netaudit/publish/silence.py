"""From when a box counts as silent, of many sites. Apart from what shows them, for each command says it in its help."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from netaudit.errors import OutOfRange

# Boxes that ship each hour have then missed three times. common practice, no source
SILENT_AFTER_H: Final = 3.0
SILENT_AFTER: Final = timedelta(hours=SILENT_AFTER_H)
# More hours than since the first calendar; what Python can hold ends at two thousand times that.
MOST_HOURS: Final = 10_000_000.0


def silent_after(hours: float) -> timedelta:
    """
    Take the time after which a box is silent as it was asked for.

    Raises:    OutOfRange: it is none.
    """
    if not 0 < hours <= MOST_HOURS:
        raise OutOfRange(f"--silent-after {hours:g}: write more than 0 hours, and at most {MOST_HOURS:.0f}")
    return timedelta(hours=hours)
