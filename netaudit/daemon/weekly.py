"""The weekly report: written by a process of its own, then told through the channels that take more than alarms."""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.rule import Weight
from netaudit.errors import LookError
from netaudit.notify.words import weekly

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from netaudit.notify.channel import Channel
    from netaudit.store.store import Store

# Measured in seconds for a year of 250 devices; ten minutes allow for a box a hundred times slower.
TIMEOUT_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class Weekly:
    """A report that was written: `key` names its week, `body` is its first page in words, `file` the best of its files."""

    key: str
    body: str
    file: str


async def write_weekly(plan: str, kept_at: str, reports: str, *, site: str) -> Weekly:
    """
    Write last week's report, as PDF too where the extra for it is installed.

    It runs in a process of its own: what charts and templates need goes when it ends.
    Raises:    LookError: it was not written, and why. TimeoutError: it took too long.
    """
    words = ["report", plan, "--store", kept_at, "--out", reports, "--json"]
    if find_spec("weasyprint") is not None:
        words.append("--pdf")
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "netaudit", *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    try:
        async with asyncio.timeout(TIMEOUT_S):
            written, said = await child.communicate()
    except (TimeoutError, asyncio.CancelledError):
        child.kill()
        raise
    if child.returncode:
        raise LookError(f"the weekly report was not written: {said.decode(errors='replace').strip()}")
    report = json.loads(written)
    name = Path(report["report"]).stem
    # Mail programs show a PDF at once; many only save an HTML file.
    file = next((one for one in report["written"] if one.endswith(".pdf")), report["report"])
    body = weekly(
        site=site,
        week=name.removeprefix("week-"),
        sentence=report["sentence"],
        to_do=report["to_do"],
        file=name,
    )
    return Weekly(f"report {name}", body, file)


def put_weekly(store: Store, channels: Iterable[Channel], letter: Weekly, now: datetime) -> None:
    """
    Put the report into the outbox of each channel that takes more than alarms; twice for one week tells it once.

    Raises:    StoreError: a channel has too many letters waiting.
    """
    # Letters are delivered by whoever opens the store next, from wherever that is.
    file = str(Path(letter.file).absolute())
    for channel in channels:
        if channel.lane(Weight.SOON.value) is not None:
            store.put_letter(key=letter.key, channel=channel.name, body=letter.body, enclosure=file, at=now)
