"""A channel: what it is told, when, and where its address is. The address itself is read when something is delivered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import timedelta
    from pathlib import Path

    from netaudit.notify.quiet import Quiet


@dataclass(frozen=True, slots=True)
class Variable:
    """An address in the environment; `environ` is the process's own, or a test's."""

    name: str
    environ: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Channel:
    """
    One way to tell.

    where     the variable or the file that holds its address
    weights   what it is told; `gathered`: those of them that wait for a digest, of so much time
    quiet     when nothing is sent; None: at any time
    """

    name: str
    where: Variable | Path
    weights: frozenset[str]
    gathered: frozenset[str] = frozenset()
    digest: timedelta | None = None
    quiet: Quiet | None = None

    @property
    def digest_lane(self) -> str:
        """The name under which the outbox keeps what is gathered: a name in the plan can't hold a slash."""
        return f"{self.name}/digest"

    def lane(self, weight: str) -> str | None:
        """Give the name under which the outbox keeps what has this weight; None if it isn't told here."""
        if weight not in self.weights:
            return None
        return self.digest_lane if weight in self.gathered else self.name
