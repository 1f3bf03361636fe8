"""
A user's own program that prints observations: run without a shell, bounded in time and output, ended with all it started.

It prints one JSON object a line:

    {"place": "link:wan", "kind": "up_bps", "value": 1250000}
    {"place": "router", "kind": "firmware", "detail": {"text": "Invented OS 4.2"}}

The first is a sample; `value` null means asked and not answered. The second is a notice, its detail words only. `place` and `kind`
are the ledger's and the collectors' words. Whatever else a line is counts as a fault, and the lines that are right still count.
A status other than 0 is a fault as well. What it writes to standard error is not read.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import re
import signal
from typing import TYPE_CHECKING, Final

from netaudit.errors import LookError
from netaudit.observe.observation import Health, Notice, Sample

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from netaudit.observe.observation import Observation

# A thousand samples of 100 octets fit more than twice; a program that says more is broken.
MOST_BYTES: Final = 256 << 10
MOST_OBSERVATIONS: Final = 1000
MOST_FAULTS_TOLD: Final = 3
# A detail is stored and shown: as many words as the longest of our own notices has, several times over.
MOST_WORDS: Final = 16
LONGEST_WORD: Final = 255
# After it was asked to end: time to take its own children down before all are killed.
GRACE_S: Final = 1.0
_PLACE = re.compile(r"(router|[a-z_]+:[^\s,=\"']{1,96})")
_KIND = re.compile(r"[a-z][a-z0-9_]{0,47}")


async def run_command(
    source: str,
    words: Sequence[str],
    *,
    environment: Mapping[str, str],
    timeout_s: float,
    now: Callable[[], datetime],
) -> tuple[Observation, ...]:
    """
    Run a program to its end and give what it printed, and last the health.

    Args:      words: the program's whole path and its arguments; environment: all that it gets.
    Raises:    LookError: it can't be started, takes too long, or prints too much.
    """
    at = now()
    # A pipe of our own, so that our end can be closed whoever still holds the other one.
    ours, theirs = os.pipe()
    reader = asyncio.StreamReader()
    transport, _ = await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), os.fdopen(ours, "rb", buffering=0)
    )
    try:
        try:
            child = await asyncio.create_subprocess_exec(
                *words,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=theirs,
                stderr=asyncio.subprocess.DEVNULL,
                env=dict(environment),
                # A group of its own, so that what it starts ends with it.
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            raise LookError(f"{words[0]} can't be run: {getattr(error, 'strerror', None) or error}") from error
        finally:
            os.close(theirs)
        try:
            async with asyncio.timeout(timeout_s):
                printed = await _read(reader)
                status = await child.wait() if printed is not None else 0
        except TimeoutError:
            raise LookError(f"{words[0]} took longer than {timeout_s:g} s and was ended") from None
        finally:
            await _end(child)
    finally:
        transport.close()
    if printed is None:
        raise LookError(f"{words[0]} printed more than {MOST_BYTES} octets and was ended")
    told, faults = read_observations(printed, at)
    if status:
        faults.append(f"it ended with status {status}")
    shown = "; ".join(faults[:MOST_FAULTS_TOLD]) + (
        f"; and {len(faults) - MOST_FAULTS_TOLD} more" if len(faults) > MOST_FAULTS_TOLD else ""
    )
    return (*told, Health(now(), source, good=not faults, reason=shown))


async def _read(reader: asyncio.StreamReader) -> bytes | None:
    """Read to the end of a program's output; None when there is more than may be."""
    data = bytearray()
    while chunk := await reader.read(1 << 16):
        data += chunk
        if len(data) > MOST_BYTES:
            return None
    return bytes(data)


async def _end(child: asyncio.subprocess.Process) -> None:
    """End its group: politely first, if it still runs, then whatever is left of it."""
    if child.returncode is None:
        _signal(child.pid, signal.SIGTERM)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.shield(child.wait()), GRACE_S)
    # Its children may outlive it; the group keeps its number as long as one of them does.
    _signal(child.pid, signal.SIGKILL)
    await child.wait()


def _signal(group: int, number: signal.Signals) -> None:
    try:
        os.killpg(group, number)
    except (ProcessLookupError, PermissionError):
        return


def read_observations(printed: bytes, at: datetime) -> tuple[list[Observation], list[str]]:
    """Read the lines of a program: what is right, and what is wrong with the others. Never raises."""
    told: list[Observation] = []
    faults: list[str] = []
    for number, line in enumerate(printed.splitlines(), start=1):
        if not line.strip():
            continue
        if len(told) >= MOST_OBSERVATIONS:
            faults.append(f"line {number}: more than {MOST_OBSERVATIONS} observations")
            break
        found = _observation(line, at)
        if isinstance(found, str):
            faults.append(f"line {number}: {found}")
        else:
            told.append(found)
    return told, faults


def _observation(line: bytes, at: datetime) -> Observation | str:
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        return "is no JSON"
    if not isinstance(said, dict):
        return "is no JSON object"
    place, kind = said.get("place"), said.get("kind")
    if not isinstance(place, str) or not _PLACE.fullmatch(place):
        return "place is none of the ledger's"
    if not isinstance(kind, str) or not _KIND.fullmatch(kind):
        return "kind is no word in lower case"
    if said.keys() == {"place", "kind", "value"}:
        value = said["value"]
        if value is None:
            return Sample(at, place, kind, None)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return "value is no number"
        try:
            number = float(value)
        except OverflowError:
            return "value is no number"
        return Sample(at, place, kind, number) if math.isfinite(number) else "value is no number"
    if said.keys() == {"place", "kind", "detail"}:
        detail = said["detail"]
        if not isinstance(detail, dict) or len(detail) > MOST_WORDS or not all(map(_is_word, detail.values())):
            return f"detail is not up to {MOST_WORDS} words of at most {LONGEST_WORD} letters"
        if not all(_KIND.fullmatch(key) for key in detail):
            return "a key of detail is no word in lower case"
        return Notice(at, place, kind, tuple(sorted(detail.items())))
    return "has to have place, kind and either value or detail"


def _is_word(value: object) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST_WORD
