"""
Handing messages to the library that speaks to receivers, in a child process that ends when the box is empty.

The library loads nearly two hundred kinds of receivers at once: some 57 MB where a bare interpreter has 21
(benchmarks/notify.py). So the daemon never imports it. The address goes to the child through a pipe: not on its command
line, where every user of the box could read it. What the child's libraries print or log is thrown away, for it may hold the
address; it answers with words from a closed list.
"""

from __future__ import annotations

import asyncio
import json
import sys
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Final, Protocol

from netaudit.errors import AlertError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

# The library gives one receiver 60 s; starting it takes a slow box some more.
ANSWER_TIMEOUT_S: Final = 120.0
# An answer is one short line; more is not our child's.
LONGEST_ANSWER: Final = 4096


class Post(Protocol):
    """One channel's way out."""

    async def send(self, title: str, body: str, enclosure: str = "") -> str:
        """
        Deliver a message; gives "" once the receiver has it, else what the matter was, without any secret.

        Args:      enclosure: path of a file to go along where the receiver takes files; where it can't, the words go alone.
        """


class ChildPost:
    """A running child."""

    def __init__(self, process: asyncio.subprocess.Process, timeout_s: float) -> None:
        self._process = process
        self._timeout_s = timeout_s

    async def send(self, title: str, body: str, enclosure: str = "") -> str:
        """Deliver a message; see Post."""
        try:
            async with asyncio.timeout(self._timeout_s):
                return await self._ask({"title": title, "body": body, "enclosure": enclosure})
        except TimeoutError:
            # It may still arrive; and its answer must not be taken for the next one's.
            self._process.kill()
            return f"no answer within {self._timeout_s:g} s"
        except (OSError, ValueError):
            return "the program that delivers has ended; is there enough memory?"

    async def _ask(self, said: dict[str, str]) -> str:
        to_child, from_child = self._process.stdin, self._process.stdout
        if to_child is None or from_child is None:
            raise OSError
        to_child.write(json.dumps(said).encode() + b"\n")
        await to_child.drain()
        answer = json.loads(await from_child.readline())
        if not isinstance(answer, str):
            raise ValueError  # noqa: TRY004 - an answer that is none is an ended child, whatever its type
        return answer


@asynccontextmanager
async def child_post(address: str, *, timeout_s: float = ANSWER_TIMEOUT_S) -> AsyncIterator[Post]:
    """
    Start a child for one address, and end it.

    Raises:    AlertError: no process can be started.
    """
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "netaudit.notify.child",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            limit=LONGEST_ANSWER,
        )
    except OSError as error:
        raise AlertError(f"no process can be started to deliver alerts: {error.strerror or error}") from error
    try:
        if process.stdin is not None:
            process.stdin.write(json.dumps(address).encode() + b"\n")
        yield ChildPost(process, timeout_s)
    finally:
        if process.returncode is None:
            process.kill()
        # Also when we are cancelled: a child that was killed ends at once.
        await asyncio.shield(process.communicate())
