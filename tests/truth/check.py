"""What a check against the outside says: one subject, its source, and how far the program is from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Result:
    """How many cells were compared, the largest error among them, in which unit, and what is allowed."""

    cells: int
    largest_error: float
    unit: str
    tolerance: float


@dataclass(frozen=True, slots=True)
class Check:
    """One subject against one source; `run` takes the folder of reference tables."""

    subject: str
    source: str
    run: Callable[[Path], Result]
